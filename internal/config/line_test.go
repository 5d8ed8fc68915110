package config

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rillwatch/internal/bus/plan"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// withNote tells whether the report notes something of a path that holds all the texts.
func withNote(r Report, path string, texts ...string) bool {
	for _, n := range r.Notes {
		found := n.Path == path
		for _, s := range texts {
			found = found && strings.Contains(n.What, s)
		}
		if found {
			return true
		}
	}
	return false
}

func TestASerialLineBecomesTheBusItDescribes(t *testing.T) {
	s, _ := mustParse(t, change(t, asTCP, onLine("baud = 19200", "sole_master = true")))
	b := s.Buses[0]
	want := site.Bus{Name: "net", Link: "rtu:///dev/ttyS0", Scheme: "rtu", Address: "/dev/ttyS0", Period: time.Second, Sensors: b.Sensors,
		Baud: 19200, Parity: "even", StopBits: 1, SoleMaster: true, Listen: 30 * time.Second}
	if diff := cmp.Diff(want, b); diff != "" {
		t.Error(diff)
	}
	s, _ = mustParse(t, change(t, asTCP, onLine("baud = 9600", "sole_master = true", `parity = "none"`, `listen = "10s"`, `timeout = "180ms"`)))
	if b := s.Buses[0]; b.StopBits != 2 || b.Parity != "none" || b.Listen != 10*time.Second || b.Timeout != 180*time.Millisecond {
		t.Errorf("%+v", b)
	}
	s, _ = mustParse(t, change(t, asTCP, onLine("baud = 9600", "sole_master = true", `parity = "none"`, "stop_bits = 1")))
	if b := s.Buses[0]; b.StopBits != 1 {
		t.Errorf("%+v", b)
	}
}

func TestASerialServerSetsItsLineItself(t *testing.T) {
	s, _ := mustParse(t, change(t, asTCP, "link = \"rtuovertcp://10.0.40.22:4001\"\nbaud = 9600"))
	if b := s.Buses[0]; b.Scheme != "rtuovertcp" || b.Address != "10.0.40.22:4001" || b.Baud != 9600 || b.Parity != "" || b.Timeout != 0 || b.Listen != 30*time.Second {
		t.Errorf("%+v", b)
	}
}

func TestASecuredLinkNamesItsFiles(t *testing.T) {
	text := change(t, asTCP, "link = \"tcp+tls://rack.larkfield.example\"\nca_file = \"/etc/rillwatch/ca.pem\"\ncert_file = \"/etc/rillwatch/own.pem\"\nkey_file = \"/etc/rillwatch/own.key\"")
	s, report := mustParse(t, text)
	b := s.Buses[0]
	if b.Address != "rack.larkfield.example:802" || b.TLS != (site.TLS{CA: "/etc/rillwatch/ca.pem", Cert: "/etc/rillwatch/own.pem", Key: "/etc/rillwatch/own.key"}) || b.Timeout != 500*time.Millisecond {
		t.Errorf("%+v", b)
	}
	took := false
	for _, d := range report.Defaults {
		took = took || d.Path == "bus.net.link" && d.Value == "tcp+tls://rack.larkfield.example:802"
	}
	if !took {
		t.Error("the port was taken in silence")
	}
}

// A key that others may read is warned of, a certificate that others may read is as it should be.
func TestTheKeyOfASecuredLinkIsNobodysBusiness(t *testing.T) {
	dir := t.TempDir()
	pem, key, file := filepath.Join(dir, "own.pem"), filepath.Join(dir, "own.key"), filepath.Join(dir, "site.toml")
	for _, name := range []string{pem, key} {
		if err := os.WriteFile(name, []byte("x"), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	text := change(t, asTCP, "link = \"tcp+tls://10.0.40.21:802\"\nca_file = \""+dir+"/absent.pem\"\ncert_file = \""+pem+"\"\nkey_file = \""+key+"\"")
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	_, report, err := Load(file)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, w := range report.Warnings {
		if strings.HasPrefix(w.Path, "bus.") {
			got = append(got, w.Path+" "+strings.TrimPrefix(w.What, dir))
		}
	}
	want := []string{"bus.net.ca_file /absent.pem cannot be found", "bus.net.key_file /own.key can be read or changed by every user of this machine"}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
}

// The sums of the report by hand, at 9600 baud with 100 ms of turnaround: 1.1458 ms a character, 3.5 of them before each request.
// Station 1: 1 bit 17.5 characters, 4 registers 24.5, 1 register 18.5, 1 input 18.5; station 9: 1 input 18.5. Requests: 5 x 100 ms and 97.5
// characters, 611.7 ms. Two checks of at most 4 registers, each 100 ms, 24.5 characters and 3.5 of silence behind them, 264.2 ms.
func TestTheReportSaysWhatALineCosts(t *testing.T) {
	_, report := mustParse(t, change(t, asTCP, onLine("baud = 9600", "sole_master = true")))
	for _, texts := range [][]string{
		{"bus.net.baud", "5 requests and 2 closing checks, 876ms on the wire at 9600 baud with a turnaround of 100ms", "88 % of the period of 1s"},
		{"bus.net.link", "station 1, input wire address 4, 1 address: can be asked in one way only, so after a fault it waits 2.2s"},
		{"bus.net.link", "station 9, input wire address 0"},
		// a period until it is read, two to its confirmation, and 0.62 s until station 1 is vouched for; a fault costs two periods more
		{"panel.b2.interlock.temperature", "at most 3.6s clean, 5.6s with one fault"},
	} {
		if !withNote(report, texts[0], texts[1:]...) {
			t.Errorf("the report does not note %q:\n%v", texts, report.Notes)
		}
	}
	if withNote(report, "bus.net.link", "holding wire address 0") {
		t.Error("four registers with three values between them can be parted")
	}
	took := false
	for _, d := range report.Defaults {
		took = took || d.Path == "map.rack.turnaround" && d.Value == "100ms"
	}
	if !took {
		t.Error("the turnaround was taken in silence")
	}
}

// A request that can be asked in one way only is found by trying every way there is.
func TestOneLegalShapeIsFoundAsByTryingAll(t *testing.T) {
	seen := map[bool]int{}
	for _, table := range []reading.Table{reading.Holding, reading.Coil} {
		for count := 1; count <= 19; count++ {
			for open := count; open <= count+9; open += 3 {
				for cuts := range 1 << min(count-1, 8) { // where one value ends and the next begins
					room := plan.Room{Open: plan.Span{Count: uint16(open)}, Most: 125}
					first := 0
					for i := 1; i <= count; i++ {
						if i == count || i <= 8 && cuts&(1<<(i-1)) != 0 {
							room.Values = append(room.Values, plan.Span{Addr: uint16(first), Count: uint16(i - first)})
							first = i
						}
					}
					r := plan.Request{Station: 1, Table: table, Count: uint16(count)}
					got, want := (plan.Plan{Rooms: map[plan.Request]plan.Room{r: room}}).Single(r), !anotherWay(r, room)
					if got != want {
						t.Fatalf("%s, %d of %d, %v: %v, want %v", table, count, open, room.Values, got, want)
					}
					seen[got]++
				}
			}
		}
	}
	if seen[true] < 10 || seen[false] < 10 {
		t.Errorf("the requests are too much alike: %v", seen)
	}
}

func anotherWay(r plan.Request, room plan.Room) bool {
	bytes := func(n int) int { return site.ReplyBytes(r.Table, n) }
	whole := int(r.Count)
	for n := whole; n <= int(room.Open.Count); n++ {
		if bytes(n) != bytes(whole) {
			return true
		}
	}
	for _, v := range room.Values[1:] {
		a := int(v.Addr)
		for n := a; n < whole; n++ {
			for m := whole - a; m < whole; m++ {
				if bytes(n) != bytes(whole) && bytes(m) != bytes(whole) && bytes(n) != bytes(m) {
					return true
				}
			}
		}
	}
	return false
}

func TestAShorterTurnaroundLeavesMoreOfTheLine(t *testing.T) {
	s, report := mustParse(t, change(t, asTCP, onLine("baud = 9600", "sole_master = true"), "[map.plc]\n", "[map.plc]\nturnaround = \"20ms\"\n", "[map.rack.point]", "[map.rack]\nturnaround = \"10ms\"\n[map.rack.point]"))
	if s.Turnaround(0) != 20*time.Millisecond || !withNote(report, "bus.net.baud", "with a turnaround of 20ms") {
		t.Errorf("%v\n%v", s.Turnaround(0), report.Notes)
	}
}

// A temperature that stands alone in its table can be asked in one way only, and behind a serial server it may be asked again more than five
// seconds after a late answer: two hot updates would not confirm each other.
func TestAGuardThatOneFaultMakesLostIsRefused(t *testing.T) {
	const file = `[site]
name = "larkfield-mill"
[bus.line]
link = "rtuovertcp://10.0.40.22:4001"
baud = 19200
[map.probe]
turnaround = "20ms"
[map.probe.point]
oxygen = { holding = 40001, type = "float32", quantity = "dissolved-oxygen", unit = "ppb" }
temperature = { input = 30001, type = "int16", scale = 0.1, unit = "degC" }
[panel.b2]
sensor.probe = { map = "probe", bus = "line", station = 1, refresh = "1s" }
interlock = { temperature = "probe.temperature" }
[logbook]
dir = "/var/lib/rillwatch"
`
	_, _, err := Parse("lost.toml", []byte(file))
	const want = "lost.toml:13:29: panel.b2.interlock.temperature: it can be asked in one way only, so after a late answer it is asked once in 5.1s, and two hot updates further apart than 5s do not confirm each other (" +
		"open registers beside it with also_readable, so that it can be asked in another way, or shorten the timeout)"
	if err == nil || err.Error() != want {
		t.Errorf("\n got %v\nwant %s", err, want)
	}
	for what, mended := range map[string]string{
		"registers beside it": strings.Replace(file, `turnaround = "20ms"`, "turnaround = \"20ms\"\nalso_readable = [\"input 30002-30004\"]", 1),
		"a line of its own":   strings.Replace(file, "rtuovertcp://10.0.40.22:4001\"", "rtu:///dev/ttyS0\"\nsole_master = true", 1),
	} {
		if _, _, err := Parse("lost.toml", []byte(mended)); err != nil {
			t.Errorf("with %s: %v", what, err)
		}
	}
}

// Questions that can be asked in one way only wait until no answer can be taken for another's, or be older than a round. By hand: at 19200
// baud with 20 ms of turnaround two registers need 2.0 ms of silence, 17 characters of 0.573 ms, the turnaround and 30 ms: 61.7 ms. On a line
// of one's own 2 s are added to that, 3 s on a grid of 1 s; two take 6 s in turn, and three 9 s.
func TestAPeriodThatLookalikesCannotKeepIsRefused(t *testing.T) {
	file := func(period, beside, third, timeout string) string {
		return `[site]
name = "larkfield-mill"
[bus.line]
link = "rtu:///dev/ttyS0"
baud = 19200
sole_master = true
` + timeout + `
[map.probe]
turnaround = "20ms"
` + beside + `
[map.probe.point]
oxygen = { holding = 40001, type = "float32", quantity = "dissolved-oxygen", unit = "ppb" }
ph = { holding = 40011, type = "float32", unit = "pH" }
` + third + `
[panel.b2]
sensor.probe = { map = "probe", bus = "line", station = 1` + period + ` }
[logbook]
dir = "/var/lib/rillwatch"
`
	}
	const third = `redox = { holding = 40021, type = "float32", unit = "mV" }`
	for _, c := range []struct {
		name, text, want string
	}{
		{"two", file("", "", "", ""), "alike.toml:4:8: bus.line.link: station 1, holding wire address 0 and 10: can be asked in one way only and their answers look alike, so between them 3s must pass, in which a late answer to the one could be taken for the other; in turn that makes every 6s, and the period is 1s (open an address beside with also_readable, so that they can be asked in different lengths, or give their sensors a period of 6s or more)"},
		{"three", file("", "", third, ""), "in turn that makes every 9s"},
		{"room beside one", file("", `also_readable = ["holding 40003"]`, "", ""), ""},
		{"room beside one of three", file("", `also_readable = ["holding 40003"]`, third, ""), "holding wire address 10 and 20: can be asked in one way only"},
		{"as seldom as that", file(`, period = "6s"`, "", "", ""), ""},
		{"a little more often", file(`, period = "5s"`, "", "", ""), "give their sensors a period of 6s or more"},
		{"three, in nine seconds and a bit", file(`, period = "9300ms"`, "", third, ""), ""},
		{"three, each with one address beside", file("", `also_readable = ["holding 40003", "holding 40013", "holding 40023"]`, third, ""), "station 1, holding: 3 requests, whose answers can have 2 lengths between them, and 3 are needed, so that none is taken for another's or for one older than a round; an answer may come 679ms late (open 1 address or more beside one of them with also_readable, or lengthen the periods of its sensors)"},
		{"three, and that address more", file("", `also_readable = ["holding 40003", "holding 40013-40014", "holding 40023"]`, third, ""), ""},
		{"a serial number", file("", `also_readable = ["holding 40003"]`+"\nidentity = { serial = { holding = 40031, type = \"uint32\" } }", "", ""), ""},
		{"a long timeout", file("", `also_readable = ["holding 40003"]`, "", `timeout = "200ms"`), "holding wire address 10: can be asked in one way only, and an answer may come up to 2.2s late: asked every 1s, it could be older than a round, so it is asked twice in that time only (open 2 addresses beside it with also_readable, or give its sensor a period of 3s or more, or leave timeout out, and it is taken from the wire)"},
	} {
		s, r, err := Parse("alike.toml", []byte(c.text))
		switch {
		case c.want == "" && err != nil, c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)):
			t.Errorf("%s:\n got %v\nwant %s", c.name, err, c.want)
		}
		warned := false
		for _, w := range r.Warnings {
			warned = warned || strings.Contains(w.What, "whenever the rarer one is due, the other is not asked for 6s")
		}
		if err == nil && time.Duration(s.Sensors[0].Every)*s.Buses[0].Period != s.Sensors[0].Period {
			t.Errorf("%s: every %d of %v is not %v", c.name, s.Sensors[0].Every, s.Buses[0].Period, s.Sensors[0].Period)
		}
		if warned != (c.name == "a serial number") {
			t.Errorf("%s: warned %v", c.name, warned)
		}
	}
}

// An answer may come 2.2 s late where the timeout is 200 ms. Asked each second, a register needs three lengths; asked every 2 s on a grid of
// 1 s its last answer is older than a round, and so it needs 3 s.
func TestThePeriodAndTheRoomThatARefusalAdvisesAreEnough(t *testing.T) {
	file := func(beside, period string) string {
		return `[site]
name = "larkfield-mill"
[bus.line]
link = "rtu:///dev/ttyS0"
baud = 19200
sole_master = true
timeout = "200ms"
[map.probe]
turnaround = "20ms"
` + beside + `
[map.probe.point]
oxygen = { holding = 40001, type = "float32", quantity = "dissolved-oxygen", unit = "ppb" }
[map.rack]
turnaround = "20ms"
also_readable = ["holding 40003-40060"]
[map.rack.point]
ph = { holding = 40001, type = "float32", unit = "pH" }
[panel.b2]
sensor.probe = { map = "probe", bus = "line", station = 1, period = "` + period + `" }
sensor.rack = { map = "rack", bus = "line", station = 2 }
[logbook]
dir = "/var/lib/rillwatch"
`
	}
	for _, c := range []struct{ beside, period, want string }{
		{"", "1s", "asked every 1s, it could be older than a round, so it is asked twice in that time only (open 2 addresses beside it with also_readable, or give its sensor a period of 3s or more"},
		{"", "2s", "open 1 address beside it with also_readable, or give its sensor a period of 3s or more"},
		{"", "3s", ""},
		{`also_readable = ["holding 40003"]`, "1s", "station 1, holding: 1 request, whose answers can have 2 lengths between them, and 3 are needed"},
		{`also_readable = ["holding 40003-40004"]`, "1s", ""},
		{`also_readable = ["holding 40003"]`, "2s", ""},
	} {
		_, _, err := Parse("room.toml", []byte(file(c.beside, c.period)))
		if c.want == "" && err != nil || c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)) {
			t.Errorf("%q, %s:\n got %v\nwant %s", c.beside, c.period, err, c.want)
		}
	}
}

// A serial number of the same two registers, once a minute: on a clean line the temperature would not be asked for 6 s.
func TestATemperatureThatGuardsHasNoLookalike(t *testing.T) {
	const file = `[site]
name = "larkfield-mill"
[bus.line]
link = "rtu:///dev/ttyS0"
baud = 19200
sole_master = true
[map.probe]
turnaround = "20ms"
identity = { serial = { holding = 40031, type = "uint32" } }
[map.probe.point]
temperature = { holding = 40001, type = "float32", unit = "degC" }
flow = { input = 30001, type = "uint16", unit = "mL/min" }
[panel.b2]
sensor.probe = { map = "probe", bus = "line", station = 1, refresh = "1s" }
interlock = { temperature = "probe.temperature" }
[logbook]
dir = "/var/lib/rillwatch"
`
	_, _, err := Parse("alike.toml", []byte(file))
	const want = "panel.b2.interlock.temperature: it can be asked in one way only, and so can 1 other whose answer looks the same: on a clean line it is not asked for 6s whenever they are due (open registers beside it with also_readable, so that it can be asked in another way)"
	if err == nil || !strings.Contains(err.Error(), want) {
		t.Errorf("\n got %v\nwant %s", err, want)
	}
	if _, _, err := Parse("alike.toml", []byte(strings.Replace(file, `turnaround = "20ms"`, "turnaround = \"20ms\"\nalso_readable = [\"holding 40003\"]", 1))); err != nil {
		t.Error(err)
	}
}

func TestADeviceSaysOfItselfWhatTheMapNames(t *testing.T) {
	s, report := mustParse(t, change(t, `numbering     = "wire"`, "numbering     = \"wire\"\nstatus = { holding = 110, mask = 0x000F, good = 0, hold = 2 }\nalive = { holding = 111 }\nidentity = { serial = { holding = 901, type = \"text\", registers = 8 } }",
		"station = 9 }", `station = 9, period = "5s", fitted = "later" }`))
	sensor := s.Sensors[1]
	at, status := pointAt(t, s, "site.plc.status")
	if want := (site.Status{Configured: true, Point: at, Mask: 15, Hold: 2, HasHold: true}); sensor.Status != want {
		t.Errorf("%+v", sensor.Status)
	}
	if status.Table != reading.Holding || status.Addr != 110 || status.Decode.Type != site.Uint16 || status.Unit.Name() != "number" || status.Resolution != 1 {
		t.Errorf("%+v", status)
	}
	if at, _ := pointAt(t, s, "site.plc.alive"); sensor.Alive != (site.Alive{Configured: true, Point: at}) {
		t.Errorf("%+v", sensor.Alive)
	}
	if want := (site.Identity{Configured: true, Table: reading.Holding, Addr: 901, Count: 8, Every: 60}); sensor.Identity != want { // every 5 slots, so every 12th time
		t.Errorf("%+v", sensor.Identity)
	}
	if !sensor.FittedLater || s.Sensors[0].FittedLater || s.Sensors[0].Status.Configured || s.Sensors[0].Identity.Configured {
		t.Errorf("%+v", s.Sensors)
	}
	if want := []site.Span{{Table: reading.Holding, Addr: 100, Count: 32}, {Table: reading.Holding, Addr: 901, Count: 8}, {Table: reading.Input, Addr: 0, Count: 1}}; cmp.Diff(want, sensor.Allowed) != "" {
		t.Errorf("%+v", sensor.Allowed)
	}
	if !withNote(report, "map.plc.identity.serial", "holding 901 is wire address 901, 8 registers") {
		t.Errorf("%v", report.Notes)
	}
}

func TestAStatusMayBeABitAndASerialNumberANumber(t *testing.T) {
	s, report := mustParse(t, change(t, `numbering     = "wire"`, "numbering     = \"wire\"\nstatus = { discrete = 4, good = 1 }\nalive = { coil = 2 }\nidentity = { serial = { input = 9, type = \"uint32\", order = \"CDAB\" } }"))
	sensor := s.Sensors[1]
	if sensor.Status.Mask != 1 || sensor.Status.Good != 1 || sensor.Identity.Type != site.Uint32 || sensor.Identity.Order != site.CDAB || sensor.Identity.Count != 2 {
		t.Errorf("%+v", sensor)
	}
	if report.Warnings = beside(report.Warnings); len(report.Warnings) != 1 || !strings.Contains(report.Warnings[0].What, "changes at the beat of the polls") {
		t.Errorf("%v", report.Warnings)
	}
}

// Two maps for two parts of one controller may both name its status.
func TestTwoPartsOfOneDeviceHeedOneStatus(t *testing.T) {
	const both = "status = { holding = 110, mask = 15 }\n"
	mustParse(t, change(t, `numbering     = "wire"`, both+`numbering     = "wire"`,
		"[logbook]", "[map.part]\nnumbering = \"wire\"\n"+both+"[map.part.point]\nlevel = { input = 7, type = \"uint16\", unit = \"%\" }\n[panel.b3]\nsensor.part = { map = \"part\", bus = \"net\", station = 9 }\n[logbook]"))
}

// A gateway behind which everything is asked in one way only is refused; room beside one value, or the user's word that it is the device
// itself, mends it, and so does the station that says so.
func TestAGatewayOfWhichNothingCanBeCheckedIsRefused(t *testing.T) {
	const file = `
[site]
name = "larkfield-mill"
[bus.net]
link = "tcp://10.0.40.30:502"
[map.probe]
numbering = "wire"
[map.probe.point]
oxygen = { input = 0, type = "uint16", unit = "ppb", quantity = "dissolved-oxygen" }
[panel.b2]
sensor.probe = { map = "probe", bus = "net", station = 3 }
[recipient.on-call]
url = "https://alarms.larkfield.example/hook"
secret_file = "/etc/rillwatch/on-call.secret"
[logbook]
dir = "/var/lib/rillwatch"
`
	const want = "gateway.toml:5:8: bus.net.link: everything behind it is asked in one way only, so answers that a gateway mixes up could not be told apart (" +
		"open a harmless register beside one of the values with also_readable, or write direct = true where the endpoint is the device itself and no gateway)"
	if _, _, err := Parse("gateway.toml", []byte(file)); err == nil || err.Error() != want {
		t.Errorf("\n got %v\nwant %s", err, want)
	}
	for what, mend := range map[string][2]string{
		"room":        {`numbering = "wire"`, "numbering = \"wire\"\nalso_readable = [\"input 1-4\"]"},
		"the word":    {`:502"`, ":502\"\ndirect = true"},
		"the station": {"station = 3", "station = 255"},
	} {
		if _, _, err := Parse("gateway.toml", []byte(strings.Replace(file, mend[0], mend[1], 1))); err != nil {
			t.Errorf("%s: %v", what, err)
		}
	}
}
