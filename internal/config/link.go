package config

import (
	"fmt"
	"net"
	"net/url"
	"path"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"rillwatch/internal/site"
)

// refusedLinks exist, and why they are refused.
var refusedLinks = map[string]string{
	"rtuoverudp": "a datagram may be lost, doubled or overtaken without a sign; where the serial server can be set to TCP, set it so and write rtuovertcp://",
	"udp":        "a lost or doubled datagram cannot be told from a silent device",
}

var linkSchemes = []string{"tcp", "tcp+tls", "rtu", "rtuovertcp"}

// example is how a link of a scheme is written.
func example(scheme string) string {
	switch scheme {
	case "tcp+tls":
		return `write link = "tcp+tls://HOST:802"`
	case "rtu":
		return `write link = "rtu:///dev/serial/by-id/NAME", a name that stays when the adapter is plugged in elsewhere`
	case "rtuovertcp":
		return `write link = "rtuovertcp://HOST:PORT", as the serial server is set`
	}
	return `write link = "tcp://HOST:502"`
}

func (b *bus) readLink() {
	t := b.t
	if !t.has("link") {
		t.missing("link", example("tcp"))
		return
	}
	s, ok := t.text("link", example("tcp"))
	if !ok {
		return
	}
	scheme, rest, found := strings.Cut(s, "://")
	if !found {
		t.wrong("link", fmt.Sprintf("%q does not say how to reach the device", s), example("tcp"))
		return
	}
	if why, ok := refusedLinks[scheme]; ok {
		t.wrong("link", fmt.Sprintf("%s:// is not spoken: %s", scheme, why), "use a gateway or the controller's own Modbus TCP output, and "+example("tcp"))
		return
	}
	if !slices.Contains(linkSchemes, scheme) {
		t.wrong("link", fmt.Sprintf("%q is no kind of link%s", scheme, maybe(scheme, linkSchemes)), example("tcp"))
		return
	}
	// The scheme is known from here on, so that the other keys of the bus are judged by it even where the address is wrong.
	b.b.Scheme = scheme
	address, ok := "", false
	if scheme == "rtu" {
		address, ok = b.device(rest)
	} else {
		address, ok = b.endpoint(s, rest)
	}
	if ok {
		b.b.Link, b.b.Address = s, address
	}
}

// device is the path of a serial device.
func (b *bus) device(rest string) (string, bool) {
	switch {
	case !strings.HasPrefix(rest, "/"):
		b.t.wrong("link", fmt.Sprintf("%q is no full path of a serial device", rest), example("rtu"))
	case path.Clean(rest) != rest || rest == "/":
		b.t.wrong("link", fmt.Sprintf("%q is not the plain path of a serial device", rest), example("rtu"))
	default:
		return rest, true
	}
	return "", false
}

// endpoint is the host and port of a network endpoint.
func (b *bus) endpoint(s, rest string) (string, bool) {
	t, do := b.t, example(b.b.Scheme)
	u, err := url.Parse(s)
	if err != nil || u.Host == "" || u.Hostname() == "" || u.User != nil || u.Path != "" || u.RawQuery != "" || u.Fragment != "" || strings.ContainsAny(rest, "?#/@") {
		t.wrong("link", fmt.Sprintf("%q is not a host and a port", rest), do)
		return "", false
	}
	port := u.Port()
	if port == "" {
		switch b.b.Scheme {
		case "tcp":
			port = "502"
			t.took("link", "tcp://"+net.JoinHostPort(u.Hostname(), port), "502 is the port registered for Modbus")
		case "tcp+tls":
			port = "802"
			t.took("link", "tcp+tls://"+net.JoinHostPort(u.Hostname(), port), "802 is the port registered for secured Modbus")
		default:
			t.wrong("link", "names no port, and none is registered for serial servers", do)
			return "", false
		}
	}
	n, err := strconv.ParseUint(port, 10, 16)
	if err != nil || n == 0 {
		t.wrong("link", fmt.Sprintf("%q is no port", port), do)
		return "", false
	}
	return net.JoinHostPort(u.Hostname(), strconv.FormatUint(n, 10)), true
}

// readLine reads what belongs to a serial line.
func (b *bus) readLine() {
	t := b.t
	if b.b.Scheme == "" {
		return // the link is wrong: what would fit it is not known
	}
	if !b.b.Serial() {
		for _, key := range []string{"baud", "parity", "stop_bits", "sole_master", "listen"} {
			if t.has(key) {
				t.wrongKey(key, "means nothing for "+b.b.Scheme+"://", "leave it out; it belongs to a serial line")
			}
		}
		return
	}
	b.readBaud()
	if b.b.Scheme == "rtu" {
		b.readCharacter()
	} else {
		for _, key := range []string{"parity", "stop_bits"} {
			if t.has(key) {
				t.wrongKey(key, "is set in the serial server, not here", "leave it out")
			}
		}
	}
	b.readSoleMaster()
	if listen, ok := t.span("listen", soleMin, soleMax); ok {
		b.b.Listen = listen
	} else if !t.has("listen") {
		b.b.Listen = soleSilence
		t.took("listen", short(soleSilence), "so long nothing is sent at first, to hear whether another master is on this line")
	}
}

func (b *bus) readBaud() {
	do := fmt.Sprintf("write baud = %d or another of %s, as it is set in the devices", baudUsual, listOf(site.Bauds[:]))
	if !b.t.has("baud") {
		b.t.missing("baud", do)
		return
	}
	n, ok := b.t.whole("baud", 1, 10_000_000, do)
	if ok && !slices.Contains(site.Bauds[:], int(n)) {
		b.t.wrong("baud", fmt.Sprintf("%d is no usual rate", n), do)
		return
	}
	if ok {
		b.b.Baud = int(n)
	}
}

func listOf(n []int) string {
	words := make([]string, len(n))
	for i := range n {
		words[i] = strconv.Itoa(n[i])
	}
	return strings.Join(words, ", ")
}

// readCharacter reads parity and stop bits. A character has eleven bits, and where there is no parity bit a second stop bit takes its
// place: Modbus over Serial Line V1.02, 2.5.1. Many devices leave that one out, so 1 may be said.
func (b *bus) readCharacter() {
	t := b.t
	b.b.Parity, b.b.StopBits = parityDefault, 1
	if s, ok := t.choice("parity", []string{"none", "even", "odd"}); ok {
		b.b.Parity = s
	} else if !t.has("parity") {
		t.took("parity", parityDefault, "the default every Modbus device must have")
	}
	if b.b.Parity == "none" {
		b.b.StopBits = 2
	}
	n, ok := t.whole("stop_bits", 1, 2, "write 1 or 2, as it is set in the devices")
	switch {
	case ok && n == 2 && b.b.Parity != "none":
		t.wrong("stop_bits", "2 beside a parity bit makes a character of twelve bits, and Modbus has eleven", "write stop_bits = 1, or parity = \"none\"")
	case ok:
		b.b.StopBits = int(n)
	case !t.has("stop_bits"):
		t.took("stop_bits", strconv.Itoa(b.b.StopBits), "with parity "+b.b.Parity+", so that a character has eleven bits")
	}
}

// readSoleMaster asks for the user's word. A serial line takes one master; where a controller asks as well, both read wrong numbers, and
// listening finds out only those who speak while one listens.
func (b *bus) readSoleMaster() {
	t := b.t
	const do = "write sole_master = true when no controller or other program asks on this line; where one does, read that controller's own output instead"
	sole, ok := t.flag("sole_master")
	switch {
	case ok && sole:
		b.b.SoleMaster = true
	case ok:
		t.wrong("sole_master", "a serial line takes one master: two answer each other's questions with wrong numbers", do)
	case !t.has("sole_master") && b.b.Scheme == "rtu":
		t.missing("sole_master", do)
	}
}

// readTLS reads the files of a secured link.
func (b *bus) readTLS() {
	t := b.t
	keys := []string{"ca_file", "cert_file", "key_file", "server_name"}
	if b.b.Scheme != "tcp+tls" {
		for _, key := range keys {
			if b.b.Scheme != "" && t.has(key) {
				t.wrongKey(key, "means nothing for "+b.b.Scheme+"://", "leave it out; it belongs to tcp+tls://")
			}
		}
		return
	}
	c := &b.b.TLS
	c.CA = b.readFile("ca_file", "write the path of the certificates that may sign the device's, or of the device's own", false)
	c.Cert = b.readFile("cert_file", "write the path of rillwatch's own certificate; a secured device asks for one", false)
	c.Key = b.readFile("key_file", "write the path of the key to cert_file", true)
	if name, ok := t.text("server_name", "write the name in the device's certificate"); ok {
		c.ServerName = name
	} else if !t.has("server_name") {
		t.took("server_name", "the host of the link", "the device's certificate must bear it")
	}
}

// readFile is the path of a file that must be given; a secret one is not for everybody's eyes.
func (b *bus) readFile(key, do string, secret bool) string {
	t := b.t
	if !t.has(key) {
		t.missing(key, do)
		return ""
	}
	if secret {
		return t.file(key, do)
	}
	name, ok := t.text(key, do)
	if ok && !filepath.IsAbs(name) {
		t.wrong(key, fmt.Sprintf("%q is no full path", name), "begin it with /; a service has no folder of its own to start from")
		return ""
	}
	if ok && t.d.look != nil {
		if what, do := t.d.look(name); what == notFound || what == isFolder {
			t.warn(key, name+" "+what, do)
		}
	}
	return name
}

// readDirect asks whether anything stands between a network endpoint and what is asked.
func (b *bus) readDirect() {
	yes, ok := b.t.flag("direct")
	switch {
	case !ok:
	case b.b.Serial():
		b.t.wrongKey("direct", "means nothing for "+b.b.Scheme+"://", "leave it out; it says that a network endpoint is the device itself")
	default:
		b.b.Direct = yes
	}
}
