package config

import (
	"bytes"
	"strings"
	"testing"
	"time"

	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

const asDriven = `drive = { bus = "net", station = 1, coil = 5, close_value = 1, valve_fails = "closed", confirmed = { by = "J. Marsh", on = "2026-11-20", sole_writer = true, builder_agrees = true, shut_off_stays = true, opens_by_hand = true } }, `

// The drive is taken to the bit, nothing of it has a default that moves a valve, and what no file can prove is put before a person.
func TestADriveIsTakenToTheBitAndTheReportSaysWhatMustBeConfirmed(t *testing.T) {
	s, report := mustParse(t, change(t, `interlock   = { `, `interlock   = { `+asDriven))
	want := site.Drive{Configured: true, Bus: 0, Station: 1, Table: reading.Coil, Addr: 4, Value: 1, ConfirmedBy: "J. Marsh", ConfirmedOn: "2026-11-20"}
	if got := s.Panels[0].Interlock.Drive; got != want {
		t.Errorf("%+v, want %+v", got, want)
	}
	var text bytes.Buffer
	report.Write(&text)
	for _, w := range []string{"rillwatch may write 1 to coil wire address 4 of station 1 on bus net, and nothing else", "confirmed in writing by J. Marsh on 2026-11-20: 1. nobody and nothing else writes this coil",
		"2. the sample valve closes by itself", "3. the panel's builder agrees", "4. the panel's own thermal shut-off stays in service and stays the primary protection", "5. a re-arming only ends the writing",
		"panel.b2.interlock.drive.numbering     = manual"} {
		if !strings.Contains(strings.Join(strings.Fields(text.String()), " "), strings.Join(strings.Fields(w), " ")) {
			t.Errorf("the report lacks %q:\n%s", w, text.String())
		}
	}
	s, _ = mustParse(t, change(t, `interlock   = { `, `interlock   = { drive = { bus = "net", station = 255, holding = 300, numbering = "wire", close_value = 170, valve_fails = "closed", confirmed = { by = "J. Marsh", on = "2026-11-20", sole_writer = true, builder_agrees = true, shut_off_stays = true, opens_by_hand = true } }, `))
	if got := s.Panels[0].Interlock.Drive; got != (site.Drive{Configured: true, Station: 255, Table: reading.Holding, Addr: 300, Value: 170, ConfirmedBy: "J. Marsh", ConfirmedOn: "2026-11-20"}) {
		t.Errorf("%+v", got)
	}
}

func TestWithoutADriveNothingMayBeWritten(t *testing.T) {
	s, _ := mustParse(t, plain)
	if d := s.Panels[0].Interlock.Drive; d != (site.Drive{}) {
		t.Errorf("%+v", d)
	}
}

// An order may leave over every link; a serial line has no station 255.
func TestADriveMayBeOnEveryLink(t *testing.T) {
	for _, link := range []string{
		onLine("baud = 19200", "sole_master = true"),
		"link = \"rtuovertcp://10.0.40.21:4001\"\nbaud = 19200",
		"link = \"tcp+tls://10.0.40.21:802\"\nca_file = \"/etc/rillwatch/ca.pem\"\ncert_file = \"/etc/rillwatch/c.pem\"\nkey_file = \"/etc/rillwatch/k.pem\"",
	} {
		if _, _, err := Parse("test.toml", []byte(change(t, asTCP, link, `interlock   = { `, `interlock   = { `+asDriven))); err != nil && strings.Contains(err.Error(), "drive") {
			t.Errorf("%q: %v", link, err)
		}
	}
	_, _, err := Parse("test.toml", []byte(change(t, asTCP, onLine("baud = 19200", "sole_master = true"), `interlock   = { `, strings.Replace(`interlock   = { `+asDriven, "station = 1,", "station = 255,", 1))))
	if want := "panel.b2.interlock.drive.station: 255 is no station of a serial line (write 1 to 247)"; err == nil || !strings.Contains(err.Error(), want) {
		t.Errorf("%v, want %q", err, want)
	}
}

func TestWhatTheInterlockLooksAtBesideIsRead(t *testing.T) {
	s, report := mustParse(t, change(t, `oxygen       = { holding = 40001`, "second = { holding = 40020, type = \"int16\", scale = 0.1, unit = \"degC\" }\ncooling = { holding = 40021, type = \"int16\", scale = 0.1, unit = \"degC\" }\noxygen       = { holding = 40001",
		`interlock   = { `, `interlock   = { second_temperature = "rack.second", cooling_water = "rack.cooling", approach_above = "9 degF", `))
	k := s.Panels[0].Interlock
	second, _ := pointAt(t, s, "b2.rack.second")
	cooling, _ := pointAt(t, s, "b2.rack.cooling")
	if !k.HasSecond || k.Second != second || !k.HasCooling || k.Cooling != cooling || k.ApproachAbove < 4.99 || k.ApproachAbove > 5.01 || k.SecondLostAfter != 10*time.Second {
		t.Errorf("%+v", k)
	}
	if k.RisePerMin != 2 {
		t.Errorf("a rise of %v K a minute by default, want 2", k.RisePerMin)
	}
	told := false
	for _, d := range report.Defaults {
		told = told || d.Path == "panel.b2.interlock.rise_per_min" && d.Value == "2 degC"
	}
	if !told {
		t.Error("the default rise is not reported")
	}
	if s, _ = mustParse(t, change(t, `interlock   = { `, `interlock   = { rise_per_min = 0, `)); s.Panels[0].Interlock.RisePerMin != 0 {
		t.Error("0 does not turn the warning off")
	}
	if s.Panels[0].Interlock.HasSecond || s.Panels[0].Interlock.HasCooling {
		t.Error("what is not named is looked at")
	}
}

func TestTwoPanelsDoNotAskInOnePlace(t *testing.T) {
	second := "[panel.b3]\nsensor.rack = { map = \"rack\", bus = \"net\", station = 2 }\nline = { length_m = 15, bore_mm = 4, coil_mL = 100, cell_mL = 100, flow = \"rack.flow\" }\ninterlock = { temperature = \"rack.temperature\", valve_closed = \"rack.valve_closed\", " + strings.TrimSuffix(asDriven, ", ") + " }\n\n[recipient.on-call]"
	_, _, err := Parse("test.toml", []byte(change(t, `interlock   = { `, `interlock   = { `+asDriven, "[recipient.on-call]", second)))
	if want := "panel.b3.interlock.drive: asks in the same place as panel b2 (each panel's valve has its own coil or register)"; err == nil || !strings.Contains(err.Error(), want) {
		t.Errorf("%v, want %q", err, want)
	}
}

// The coil that is written is no evidence of where the valve stands, by whatever station the device is spoken to.
func TestTheRequestIsNotItsOwnFeedback(t *testing.T) {
	const want = "panel.b2.interlock.valve_closed: b2.rack.valve_closed is the very coil that the drive writes: it shows what was asked, and not where the valve stands (name the valve's own position switch)"
	for _, c := range []struct {
		name          string
		station, link string
		refused       bool
	}{{"the same station", "station = 1", "", true}, {"another station behind the gateway", "station = 2", "", false}, {"another station of the device itself", "station = 2", "\ndirect = true", true}} {
		_, _, err := Parse("test.toml", []byte(change(t, `valve_closed = { discrete = 10001 }`, `valve_closed = { coil = 5 }`, asTCP, asTCP+c.link, `interlock   = { `, `interlock   = { `+strings.Replace(asDriven, "station = 1", c.station, 1))))
		if refused := err != nil && strings.Contains(err.Error(), want); refused != c.refused {
			t.Errorf("%s: %v", c.name, err)
		}
	}
}

// What shows whether the valve closed is no choice where rillwatch closes it.
func TestADriveWithoutFeedbackOrWithoutFlowIsRefused(t *testing.T) {
	for _, c := range []struct{ from, to, want string }{
		{`, flow = "rack.flow" }`, ` }`, "panel.b2.interlock.drive: the line has no flow, so nothing shows that a valve which says closed lets nothing through"},
		{`, valve_closed = "rack.valve_closed" }`, ` }`, "panel.b2.interlock.drive: the valve has no feedback, so nothing shows where it stands"},
	} {
		if _, _, err := Parse("test.toml", []byte(change(t, c.from, c.to, `interlock   = { `, `interlock   = { `+asDriven))); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%v, want %q", err, c.want)
		}
	}
}

// Every point that a person must have in writing is a key, and none of them may be left out or be false.
func TestADriveWithoutEachConfirmationIsRefused(t *testing.T) {
	for _, c := range []struct{ from, to, want string }{
		{`sole_writer = true`, `sole_writer = false`, "drive.confirmed.sole_writer: is false, and a valve is driven only where it is true (write true when you have it in writing that nobody and nothing else writes this coil"},
		{`, sole_writer = true`, ``, "drive.confirmed.sole_writer: is missing"},
		{`, builder_agrees = true`, ``, "drive.confirmed.builder_agrees: is missing"},
		{`, shut_off_stays = true`, ``, "drive.confirmed.shut_off_stays: is missing"},
		{`, opens_by_hand = true`, ``, "drive.confirmed.opens_by_hand: is missing"},
		{`opens_by_hand = true`, `opens_by_hand = "yes"`, "drive.confirmed.opens_by_hand: "},
		{`by = "J. Marsh", `, ``, "drive.confirmed.by: is missing"},
		{`by = "J. Marsh"`, `by = " "`, "drive.confirmed.by: is empty"},
		{`on = "2026-11-20", `, ``, "drive.confirmed.on: is missing"},
		{`2026-11-20`, `20 November`, `drive.confirmed.on: "20 November" is no day`},
		{`by = "J. Marsh"`, `by = "J. Marsh", safe = true`, "drive.confirmed.safe: is no key of what was confirmed"},
	} {
		if strings.Count(asDriven, c.from) != 1 {
			t.Fatalf("%q stands %d times", c.from, strings.Count(asDriven, c.from))
		}
		if _, _, err := Parse("test.toml", []byte(change(t, `interlock   = { `, `interlock   = { `+strings.Replace(asDriven, c.from, c.to, 1)))); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", c.to, err, c.want)
		}
	}
}
