package config

import (
	"fmt"
	"mime"
	"net/netip"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"rillwatch/internal/event"
	"rillwatch/internal/site"
)

const (
	// The reminders follow the consequence: what needs a person now is told every quarter of an hour until one says that he has seen it, what
	// needs one this shift every hour, and the rest once. Judgement, from on-call practice.
	remindUrgent = 15 * time.Minute
	remindMedium = time.Hour
	remindMin    = time.Minute    // more often nobody can act in between
	remindMax    = 24 * time.Hour // the age after which a message is given up
	heartbeatMin = 10 * time.Second
	heartbeatMax = time.Hour
	// listedMax bounds the panels, kinds and hosts of one list.
	listedMax   = 100
	contentType = "text/plain; charset=utf-8"
)

var priorityList = []string{"top", "high", "medium", "low"}

// readMessages reads what holds for every message.
func (d *doc) readMessages(top table) {
	t, _ := top.sub("messages")
	t.check(shapeMessages)
	m := &d.out.Messages
	usual := [...]time.Duration{remindUrgent, remindUrgent, remindMedium, 0}
	why := [...]string{"until it is acknowledged", "until it is acknowledged", "until it is acknowledged", "told once"}
	r, _ := t.sub("reminders")
	r.check(shapeRemind)
	for p := site.TopPriority; p <= site.LowPriority; p++ {
		key := p.String()
		m.Reminders[p] = usual[p]
		if s, _ := r.m[key].(string); s == "never" {
			m.Reminders[p] = 0
			if p <= site.HighPriority {
				r.warn(key, "an alarm that nobody has seen is told once and never again", `write a time such as "15m"`)
			}
			continue
		}
		if every, ok := r.span(key, remindMin, remindMax); ok {
			m.Reminders[p] = every
		} else if !r.has(key) {
			r.took(key, spanOrNever(usual[p]), why[p])
		}
	}
	const do = `write allowed = ["alarms.larkfield.example", "10.0.40.0/24"]`
	for _, a := range t.texts("allowed", do) {
		if strings.Contains(a, "/") {
			if p, err := netip.ParsePrefix(a); err != nil || p != p.Masked() {
				t.wrong("allowed", fmt.Sprintf("%q is no range of addresses", a), do)
				continue
			}
		} else if strings.ContainsAny(a, " @:") && net6(a) == (netip.Addr{}) {
			t.wrong("allowed", fmt.Sprintf("%q is no host and no address", a), do)
			continue
		}
		m.Allowed = append(m.Allowed, strings.ToLower(a))
	}
	if !t.has("allowed") {
		t.took("allowed", "any", "but for addresses no recipient can have: link-local, multicast, unspecified")
	}
}

// net6 is an address; the zero one when it is none.
func net6(s string) netip.Addr { a, _ := netip.ParseAddr(s); return a }

func spanOrNever(d time.Duration) string {
	if d == 0 {
		return "never"
	}
	return short(d)
}

// texts is a list of texts.
func (t table) texts(key, do string) []string {
	v, ok := t.m[key]
	if !ok {
		return nil
	}
	list, ok := v.([]any)
	switch {
	case !ok:
		t.notA(key, "a list of texts", do)
		return nil
	case len(list) == 0:
		t.wrong(key, "is empty", "leave it out where nothing is meant")
		return nil
	case len(list) > listedMax:
		t.wrong(key, fmt.Sprintf("holds more than %d", listedMax), "name fewer")
		return nil
	}
	var out []string
	for _, e := range list {
		s, ok := e.(string)
		if !ok || strings.TrimSpace(s) == "" || strings.ContainsFunc(s, hidden) || len(s) > textMax {
			t.wrong(key, "must hold texts, and one is "+kind(e), do)
			return nil
		}
		if slices.Contains(out, s) {
			t.wrong(key, fmt.Sprintf("holds %q twice", s), "name it once")
			return nil
		}
		out = append(out, s)
	}
	return out
}

func (d *doc) readRecipients(top table) {
	list := top.named("recipient", `[recipient.NAME] and url = "https://..."`)
	for _, t := range list {
		t.check(shapeRecipient)
		r := site.Recipient{Name: t.name()}
		r.URL = readURL(t)
		const do = "write the path of a file that holds the signing secret"
		if !t.has("secret_file") {
			t.missing("secret_file", do+"; messages without a signature could come from anybody")
		}
		r.SecretFile = t.file("secret_file", do)
		if t.has("old_secret_file") {
			r.OldSecretFile = t.file("old_secret_file", "write the path of a file that holds the secret before, while the recipient learns the new one")
			if r.OldSecretFile != "" && r.OldSecretFile == r.SecretFile {
				t.wrong("old_secret_file", "is the same file as secret_file", "name the file that holds the secret before, or leave it out")
			}
		}
		r.CAFile = t.plainFile("ca_file", "write the path of a file with the certificates that may sign the recipient's")
		r.Proxy = readProxy(t)
		d.readAllowed(t, r.URL)
		d.readRoute(t, &r.Route)
		r.Quiet = readQuiet(t)
		readForm(t, &r)
		if every, ok := t.span("heartbeat", heartbeatMin, heartbeatMax); ok {
			r.Heartbeat = every
			if every < d.out.Logbook.Flush { // it follows a commit, so it cannot come more often than there are any
				t.wrong("heartbeat", fmt.Sprintf("%s is shorter than the %s between two commits of the logbook, which it follows", short(every), short(d.out.Logbook.Flush)),
					"write a longer one, or a shorter logbook.flush")
			}
		} else if !t.has("heartbeat") {
			t.took("heartbeat", "none", "nobody there notices when rillwatch itself falls silent")
		}
		d.out.Recipients = append(d.out.Recipients, r)
	}
	if len(list) == 0 && !top.has("recipient") {
		top.warnHere("there is no recipient, so nobody is told anything", `write [recipient.NAME] with url and secret_file`)
	}
}

// readProxy is only taken where it is said: a proxy of the environment would be dialled in place of the recipient, past the check of addresses.
func readProxy(t table) string {
	const do = `write proxy = "http://HOST:PORT"`
	s, ok := t.text("proxy", do)
	if !ok {
		return ""
	}
	u, err := url.Parse(s)
	switch {
	case err != nil || u.Hostname() == "" || u.Scheme != "http" && u.Scheme != "https" || u.Opaque != "":
		t.wrong("proxy", "this is no address of a proxy", do)
	case u.User != nil:
		t.wrong("proxy", "holds a user name or password", "take it out; a configuration is read by many")
	case u.Path != "" && u.Path != "/" || u.RawQuery != "" || u.Fragment != "":
		t.wrong("proxy", "holds more than an address", do)
	default:
		return s
	}
	return ""
}

// readAllowed holds a recipient against the list of hosts, as far as that can be done without asking for its address.
func (d *doc) readAllowed(t table, address string) {
	allowed := d.out.Messages.Allowed
	u, err := url.Parse(address)
	if address == "" || err != nil || len(allowed) == 0 || t.has("proxy") {
		return
	}
	host := strings.ToLower(u.Hostname())
	addr := net6(host)
	ranges := false
	for _, a := range allowed {
		p, err := netip.ParsePrefix(a)
		ranges = ranges || err == nil
		if a == host || err == nil && addr.IsValid() && p.Contains(addr) {
			return
		}
	}
	if ranges && !addr.IsValid() {
		return // its address decides, each time it is dialled
	}
	t.wrong("url", fmt.Sprintf("%q is not among the hosts that messages.allowed names", host), "add it there, or correct the address")
}

func (d *doc) readRoute(t table, r *site.Route) {
	if s, ok := t.choice("least_priority", priorityList); ok {
		r.Least, _ = site.ParsePriority(s)
		r.LeastSet = true
	} else if !t.has("least_priority") {
		t.took("least_priority", "low", "everything is told there")
	}
	var names []string
	for _, p := range d.panels {
		names = append(names, p.p.Name)
	}
	for _, name := range t.texts("panels", `write panels = ["b2"]`) {
		if !slices.Contains(names, name) {
			t.wrong("panels", fmt.Sprintf("there is no panel %q%s", name, maybe(name, names)), "write the names of panels, as in [panel.NAME]")
			return
		}
		r.Panels = append(r.Panels, name)
	}
	kinds := toldKinds()
	for _, name := range t.texts("kinds", `write kinds = ["alarm", "valve.failed_to_close"]`) {
		if !slices.Contains(kinds, name) {
			t.wrong("kinds", fmt.Sprintf("there is no kind of message %q%s", name, maybe(name, kinds)), "write "+quotedList(kinds))
			return
		}
		r.Kinds = append(r.Kinds, name)
	}
}

// toldKinds is every kind of event that people are called for, and the families.
func toldKinds() []string {
	var out []string
	for k := range event.Kind(event.KindCount) {
		if !k.Told() {
			continue
		}
		family, _, _ := strings.Cut(k.String(), ".")
		for _, name := range []string{family, k.String()} {
			if !slices.Contains(out, name) {
				out = append(out, name)
			}
		}
	}
	slices.Sort(out)
	return out
}

func readQuiet(t table) site.QuietHours {
	if !t.has("quiet") {
		t.took("quiet", "none", "messages come at any hour")
		return site.QuietHours{}
	}
	q, ok := t.sub("quiet")
	if !ok {
		return site.QuietHours{}
	}
	q.check(shapeQuiet)
	out := site.QuietHours{Configured: true, Least: site.LowPriority}
	read := 0
	for _, end := range []struct {
		key string
		to  *time.Duration
	}{{"from", &out.From}, {"to", &out.To}} {
		const do = `write a time of day, such as "22:00"`
		s, ok := q.text(end.key, do)
		if !ok {
			if !q.has(end.key) {
				q.missing(end.key, do)
			}
			continue
		}
		at, err := time.Parse("15:04", s)
		if err != nil {
			q.wrong(end.key, fmt.Sprintf("%q is no time of day", s), do)
			continue
		}
		read++
		*end.to = time.Duration(at.Hour())*time.Hour + time.Duration(at.Minute())*time.Minute
	}
	if read == 2 && out.From == out.To {
		q.wrong("to", "is the time at which they begin", "write another one; a night without an end is never told")
	}
	if s, ok := q.choice("least", []string{"medium", "low"}); ok { // what is urgent is never kept back
		out.Least, _ = site.ParsePriority(s)
	} else if !q.has("least") {
		q.took("least", "low", "only what is told once anyhow waits for the morning")
	}
	return out
}

// readForm reads what a recipient wants in place of the message as it is.
func readForm(t table, r *site.Recipient) {
	r.Template = t.plainFile("template_file", "write the path of a file that holds a text/template")
	s, ok := t.text("content_type", `write content_type = "application/json"`)
	switch {
	case ok && !t.has("template_file"):
		t.wrongKey("content_type", "is for a recipient with a template only", "leave it out; messages are sent as application/cloudevents+json")
	case ok:
		if kind, _, err := mime.ParseMediaType(s); err != nil || !strings.Contains(kind, "/") {
			t.wrong("content_type", fmt.Sprintf("%q is no content type", s), `write content_type = "application/json"`)
		}
		r.ContentType = s
	case t.has("template_file") && !t.has("content_type"):
		r.ContentType = contentType
		t.took("content_type", contentType, "plain text")
	}
}

// plainFile is the path of a file that holds nothing secret.
func (t table) plainFile(key, do string) string {
	path, ok := t.text(key, do)
	if !ok {
		return ""
	}
	if !filepath.IsAbs(path) {
		t.wrong(key, fmt.Sprintf("%q is no full path", path), "begin it with /; a service has no folder of its own to start from")
		return ""
	}
	if t.d.look != nil {
		if info, err := os.Stat(path); err != nil {
			t.warn(key, path+" "+notFound, "put the file there before rillwatch runs; it will not start without it")
		} else if info.IsDir() {
			t.warn(key, path+" "+isFolder, "name the file in it; rillwatch will not start without it")
		}
	}
	return path
}
