package rig

import (
	"fmt"
	"math"
	"strings"
)

// Sizes of the tables, in wire addresses from 0. Input 30001 to 30004 do not exist: a device with a gap answers exception 02 there,
// and a planner that bridges gaps it was not allowed to should meet one.
const (
	holdingCount  = 6 // 40001 to 40006
	inputFirst    = 4 // 30005
	inputCount    = 1
	discreteCount = 2 // 10001, 10002
	coilCount     = 1 // 00001, the only thing that may be written
)

// noTemperature is the word for "no value" in 40003.
const noTemperature = -32768

// Words is the register image of one panel, by wire address within each table; Input starts at 30005.
type Words struct {
	Holding  [holdingCount]uint16
	Input    [inputCount]uint16
	Discrete [discreteCount]bool
	Coil     [coilCount]bool
}

// Words lays a snapshot out as the device would. Composed by hand from the IEEE 754 bits, so that it shares no code with any decoder.
func (s Snapshot) Words() Words {
	var w Words
	oxygen := math.Float32bits(float32(s.Oxygen))
	w.Holding[0] = uint16(oxygen) // CDAB: the low word first
	w.Holding[1] = uint16(oxygen >> 16)
	w.Holding[2] = uint16(int16(math.Round(s.Temperature * 10)))
	if s.TemperatureLost {
		w.Holding[2] = uint16(noTemperature & 0xFFFF)
	}
	conductivity := uint32(math.Round(s.Conductivity * 1000))
	w.Holding[3] = uint16(conductivity >> 16) // ABCD: the high word first
	w.Holding[4] = uint16(conductivity)
	w.Holding[5] = s.Alive
	w.Input[0] = uint16(math.Round(s.Flow))
	w.Discrete[0] = s.ValveClosed
	w.Discrete[1] = s.FeedOn
	w.Coil[0] = s.Request
	return w
}

// point is one line of the register table, and of the map a user pastes.
type point struct {
	name, toml string
	note       string
}

var points = []point{
	{"oxygen", `holding = 40001, type = "float32", order = "CDAB", quantity = "dissolved-oxygen", unit = "ppb", floor = 0.2, ceiling = 500`,
		"40001-40002, low word first"},
	{"temperature", `holding = 40003, type = "int16", scale = 0.1, unit = "degC", no_value = [-32768]`,
		"40003, tenths; -32768 when there is none"},
	{"conductivity", `holding = 40004, type = "uint32", order = "ABCD", scale = 0.001, unit = "uS/cm"`,
		"40004-40005, high word first, thousandths"},
	{"flow", `input = 30005, type = "uint16", unit = "mL/min"`,
		"30005"},
	{"valve_closed", `discrete = 10001`,
		"10001, true when closed"},
	{"feed_on", `discrete = 10002`,
		"10002, true while the boiler is fed"},
}

// MapTOML is the register map of the rig, ready to paste into a configuration.
func MapTOML() string {
	var b strings.Builder
	b.WriteString("[map.rack-output.point]\n")
	for _, p := range points {
		fmt.Fprintf(&b, "%-12s = { %s }\n", p.name, p.toml)
	}
	return b.String()
}

// Describe is the register table in words, followed by MapTOML.
func Describe() string {
	var b strings.Builder
	b.WriteString("# The rig answers functions 01 to 05; any address not listed gets exception 02.\n")
	for _, p := range points {
		fmt.Fprintf(&b, "#   %-12s %s\n", p.name, p.note)
	}
	b.WriteString("#   alive        40006, a counter that moves once a second\n")
	b.WriteString("#   close        coil 1, written 1 to ask for the sample valve to be closed; no value opens it\n\n")
	b.WriteString(MapTOML())
	return b.String()
}
