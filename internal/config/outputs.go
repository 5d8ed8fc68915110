package config

import (
	"fmt"
	"net"
	"net/url"
	"path/filepath"
	"strconv"
)

// file is the path of a file that must hold a secret; when a file is being loaded it is looked for.
func (t table) file(key, do string) string {
	path, ok := t.text(key, do)
	if !ok {
		return ""
	}
	if !filepath.IsAbs(path) {
		t.wrong(key, fmt.Sprintf("%q is no full path", path), "begin it with /; a service has no folder of its own to start from")
		return ""
	}
	if t.d.look != nil {
		if what, do := t.d.look(path); what != "" {
			t.warn(key, path+" "+what, do)
		}
	}
	return path
}

func readURL(t table) string {
	const do = `write url = "https://HOST/PATH"`
	if !t.has("url") {
		t.missing("url", do)
		return ""
	}
	s, ok := t.text("url", do)
	if !ok {
		return ""
	}
	u, err := url.Parse(s)
	switch {
	case err != nil || u.Host == "" || u.Hostname() == "" || u.Opaque != "":
		t.wrong("url", "this is no web address", do) // not quoted: it may hold a password
	case u.Scheme != "http" && u.Scheme != "https":
		t.wrong("url", fmt.Sprintf("%q is not spoken", u.Scheme+"://"), do)
	case u.User != nil:
		t.wrong("url", "holds a user name or password", "take it out; messages are signed with the secret in secret_file, and a configuration is read by many")
	case u.Fragment != "":
		t.wrong("url", "holds a #, which is never sent", "take it out")
	default:
		if u.Scheme == "http" && !loopback(u.Hostname()) {
			t.warn("url", "messages cross the network in the clear", "use https; the signature proves who sent it, and hides nothing")
		}
		return s
	}
	return ""
}

// loopback tells whether a host is this machine and no other.
func loopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

func (d *doc) readHTTP(top table) {
	t, _ := top.sub("http")
	t.check(shapeHTTP)
	const do = `write listen = "127.0.0.1:9618"`
	d.out.HTTP.Listen = listenDefault
	if s, ok := t.text("listen", do); ok {
		host, port, err := net.SplitHostPort(s)
		_, portErr := strconv.ParseUint(port, 10, 16) // 0 is any free port
		switch {
		case err != nil:
			t.wrong("listen", fmt.Sprintf("%q is not an address and a port", s), do)
		case portErr != nil:
			t.wrong("listen", fmt.Sprintf("%q is no port", port), do)
		case host != "localhost" && host != "" && net.ParseIP(host) == nil:
			t.wrong("listen", fmt.Sprintf("%q is no address of this machine", host), do)
		case !loopback(host):
			t.warn("listen", "other machines can read everything, without a password and in the clear", "listen on 127.0.0.1 behind a reverse proxy, unless the network is the plant's own")
		}
		d.out.HTTP.Listen = s
	} else if !t.has("listen") {
		t.took("listen", listenDefault, "this machine only")
	}
	if t.has("token_file") {
		d.out.HTTP.TokenFile = t.file("token_file", "write the path of a file that holds the token for commands")
	} else {
		t.took("token_file", "none", "commands, such as acknowledging, are refused")
	}
}

func (d *doc) readLogbook(top table) {
	const do = `write [logbook] and dir = "/var/lib/rillwatch"`
	t, ok := top.sub("logbook")
	if !ok {
		if !top.has("logbook") {
			top.missing("logbook", do)
		}
		return
	}
	t.check(shapeLogbook)
	if dir, ok := t.text("dir", do); ok {
		d.out.Logbook.Dir = dir
		if !filepath.IsAbs(dir) {
			t.wrong("dir", fmt.Sprintf("%q is no full path", dir), "begin it with /; a service has no folder of its own to start from")
		}
	} else if !t.has("dir") {
		t.missing("dir", do)
	}
	d.out.Logbook.Flush = flushDefault
	if flush, ok := t.span("flush", flushMin, flushMax); ok {
		d.out.Logbook.Flush = flush
	} else if !t.has("flush") {
		t.took("flush", short(flushDefault), "readings since the last flush are lost with the power; events never wait for it")
	}
	d.readKeeping(t)
}
