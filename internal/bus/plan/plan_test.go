package plan_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"

	"rillwatch/internal/bus/plan"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// point is one listed value in a test's map.
type point struct {
	table reading.Table
	addr  int
	typ   site.Type
}

// device is one sensor in a test.
type device struct {
	station uint8
	every   uint64
	longest int
	later   bool
	points  []point
	open    []site.Span // also_readable
	guards  bool        // its first point is the temperature of an interlock
}

func build(devices ...device) *site.Site {
	s := &site.Site{Buses: []site.Bus{{Name: "panel-net"}}}
	for i, d := range devices {
		sensor := site.Sensor{Path: fmt.Sprintf("p.s%d", i), Station: d.station, Every: d.every, LongestRead: d.longest, FittedLater: d.later}
		for _, p := range d.points {
			sensor.Points = append(sensor.Points, len(s.Points))
			sensor.Allowed = append(sensor.Allowed, site.Span{Table: p.table, Addr: uint16(p.addr), Count: p.typ.Words()})
			s.Points = append(s.Points, site.Point{Sensor: i, Table: p.table, Addr: uint16(p.addr), Decode: site.Decode{Type: p.typ}})
		}
		sensor.Allowed = append(sensor.Allowed, d.open...)
		slices.SortFunc(sensor.Allowed, func(a, b site.Span) int {
			if a.Table != b.Table {
				return int(a.Table) - int(b.Table)
			}
			return int(a.Addr) - int(b.Addr)
		})
		if d.guards {
			s.Panels = append(s.Panels, site.Panel{Interlock: site.Interlock{Configured: true, Temperature: sensor.Points[0]}})
		}
		s.Sensors = append(s.Sensors, sensor)
		s.Buses[0].Sensors = append(s.Buses[0].Sensors, i)
	}
	return s
}

func holding(addr int, t site.Type) point { return point{reading.Holding, addr, t} }

func TestRequestsOfARound(t *testing.T) {
	const H, I, C = reading.Holding, reading.Input, reading.Coil
	for _, c := range []struct {
		name    string
		devices []device
		want    []plan.Request
	}{
		{"registers that follow each other share a request",
			[]device{{station: 1, points: []point{holding(0, site.Float32), holding(2, site.Int16), holding(3, site.Uint32)}}},
			[]plan.Request{{Station: 1, Table: H, Addr: 0, Count: 5, Every: 1}}},
		{"a hole of one unlisted register is never bridged",
			[]device{{station: 1, points: []point{holding(0, site.Uint16), holding(2, site.Uint16)}}},
			[]plan.Request{{Station: 1, Table: H, Addr: 0, Count: 1, Every: 1}, {Station: 1, Table: H, Addr: 2, Count: 1, Every: 1}}},
		{"an also readable register bridges the hole",
			[]device{{station: 1, points: []point{holding(0, site.Uint16), holding(2, site.Uint16)}, open: []site.Span{{Table: H, Addr: 1, Count: 1}}}},
			[]plan.Request{{Station: 1, Table: H, Addr: 0, Count: 3, Every: 1}}},
		{"an also readable register of another table does not",
			[]device{{station: 1, points: []point{holding(0, site.Uint16), holding(2, site.Uint16)}, open: []site.Span{{Table: I, Addr: 1, Count: 1}}}},
			[]plan.Request{{Station: 1, Table: H, Addr: 0, Count: 1, Every: 1}, {Station: 1, Table: H, Addr: 2, Count: 1, Every: 1}}},
		{"an also readable register that bridges nothing is not asked",
			[]device{{station: 1, points: []point{holding(5, site.Uint16)}, open: []site.Span{{Table: H, Addr: 0, Count: 5}, {Table: H, Addr: 6, Count: 9}}}},
			[]plan.Request{{Station: 1, Table: H, Addr: 5, Count: 1, Every: 1}}},
		{"a value of four registers is not parted by the longest read",
			[]device{{station: 1, longest: 5, points: []point{holding(0, site.Float32), holding(2, site.Float64), holding(6, site.Uint16)}}},
			[]plan.Request{{Station: 1, Table: H, Addr: 0, Count: 2, Every: 1}, {Station: 1, Table: H, Addr: 2, Count: 5, Every: 1}}},
		{"of equally many requests those that bridge least",
			[]device{{station: 1, longest: 5, points: []point{holding(0, site.Uint16), holding(4, site.Uint16), holding(5, site.Uint16)}, open: []site.Span{{Table: H, Addr: 1, Count: 3}}}},
			[]plan.Request{{Station: 1, Table: H, Addr: 0, Count: 1, Every: 1}, {Station: 1, Table: H, Addr: 4, Count: 2, Every: 1}}},
		{"two points of one register are asked once",
			[]device{{station: 1, points: []point{holding(7, site.Uint16), holding(7, site.Int16)}}},
			[]plan.Request{{Station: 1, Table: H, Addr: 7, Count: 1, Every: 1}}},
		{"tables are asked apart, in the order of their function codes",
			[]device{{station: 1, points: []point{{I, 0, site.Uint16}, {C, 1, site.Bit}, holding(1, site.Uint16)}}},
			[]plan.Request{{Station: 1, Table: C, Addr: 1, Count: 1, Every: 1}, {Station: 1, Table: H, Addr: 1, Count: 1, Every: 1}, {Station: 1, Table: I, Addr: 0, Count: 1, Every: 1}}},
		{"the interlock's station comes first, whole",
			[]device{
				{station: 9, points: []point{holding(0, site.Uint16)}},
				{station: 3, points: []point{holding(8, site.Uint16)}},
				{station: 3, guards: true, points: []point{{I, 4, site.Int16}}}},
			[]plan.Request{{Station: 3, Table: H, Addr: 8, Count: 1, Every: 1, Interlock: true}, {Station: 3, Table: I, Addr: 4, Count: 1, Every: 1, Interlock: true}, {Station: 9, Table: H, Addr: 0, Count: 1, Every: 1}}},
		{"two sensors of one station share a request, the shorter longest read holds",
			[]device{
				{station: 1, longest: 3, points: []point{holding(0, site.Uint32)}},
				{station: 1, longest: 9, points: []point{holding(2, site.Uint16), holding(3, site.Uint16)}}},
			[]plan.Request{{Station: 1, Table: H, Addr: 0, Count: 3, Every: 1}, {Station: 1, Table: H, Addr: 3, Count: 1, Every: 1}}},
		{"a sensor that may be fitted later shares with no other, for its absence would refuse both",
			[]device{
				{station: 1, points: []point{holding(0, site.Uint16)}},
				{station: 1, later: true, points: []point{holding(1, site.Uint16)}}},
			[]plan.Request{{Station: 1, Table: H, Addr: 0, Count: 1, Every: 1}, {Station: 1, Table: H, Addr: 1, Count: 1, Every: 1}}},
		{"sensors asked at different periods do not share",
			[]device{
				{station: 1, every: 1, points: []point{holding(0, site.Uint16)}},
				{station: 1, every: 5, points: []point{holding(1, site.Uint16)}}},
			[]plan.Request{{Station: 1, Table: H, Addr: 0, Count: 1, Every: 1}, {Station: 1, Table: H, Addr: 1, Count: 1, Every: 5}}},
		{"the last register of the table can be asked",
			[]device{{station: 1, points: []point{holding(65534, site.Float32)}}},
			[]plan.Request{{Station: 1, Table: H, Addr: 65534, Count: 2, Every: 1}}},
	} {
		t.Run(c.name, func(t *testing.T) {
			if d := cmp.Diff(c.want, plan.Of(build(c.devices...), 0).Requests); d != "" {
				t.Error(d)
			}
		})
	}
}

// 125 registers and 2000 bits: Modbus Application Protocol V1.1b3, 6.1 to 6.4.
func TestTheProtocolsLengthHoldsWhateverTheMapSays(t *testing.T) {
	var words, bits []point
	for i := range 300 {
		words = append(words, holding(i, site.Uint16))
	}
	for i := range 4100 {
		bits = append(bits, point{reading.Discrete, i, site.Bit})
	}
	for _, longest := range []int{0, 9999} {
		var counts []int
		for _, r := range plan.Of(build(device{station: 1, longest: longest, points: append(bits, words...)}), 0).Requests {
			limit := 125
			if r.Table == reading.Discrete {
				limit = 2000
			}
			if int(r.Count) > limit {
				t.Errorf("longest read %d: %v asks %d", longest, r.Table, r.Count)
			}
			counts = append(counts, int(r.Count))
		}
		if len(counts) != 3+3 {
			t.Errorf("longest read %d: requests of %v addresses, want three of bits and three of registers", longest, counts)
		}
	}
}

func TestAPointOutsideTheListedAddressesIsNeverAsked(t *testing.T) {
	s := build(device{station: 1, points: []point{holding(0, site.Uint16), holding(10, site.Float32)}})
	s.Sensors[0].Allowed = []site.Span{{Table: reading.Holding, Addr: 0, Count: 11}} // half of the second value
	p := plan.Of(s, 0)
	if d := cmp.Diff([]plan.Request{{Station: 1, Table: reading.Holding, Addr: 0, Count: 1, Every: 1}}, p.Requests); d != "" {
		t.Error(d)
	}
	if d := cmp.Diff([]int{1}, p.Unlisted); d != "" {
		t.Error(d)
	}
}

func TestARequestMayBeBentOnlyWithinListedAddressesAndBetweenValues(t *testing.T) {
	p := plan.Of(build(device{station: 1, longest: 12, points: []point{holding(4, site.Float32), holding(6, site.Uint16), holding(9, site.Uint16), holding(40, site.Uint16)},
		open: []site.Span{{Table: reading.Holding, Addr: 0, Count: 4}, {Table: reading.Holding, Addr: 7, Count: 2}, {Table: reading.Holding, Addr: 11, Count: 5}}}), 0)
	want := []plan.Room{
		{Values: []plan.Span{{Addr: 4, Count: 2}, {Addr: 6, Count: 1}, {Addr: 9, Count: 1}}, Open: plan.Span{Addr: 0, Count: 10}, Most: 12},
		{Values: []plan.Span{{Addr: 40, Count: 1}}, Open: plan.Span{Addr: 40, Count: 1}, Most: 12},
	}
	for i, r := range p.Requests {
		if d := cmp.Diff(want[i], p.Rooms[r]); d != "" {
			t.Errorf("request %d: %s", i, d)
		}
	}
	if len(p.Requests) != len(want) {
		t.Errorf("%d requests, want %d", len(p.Requests), len(want))
	}
}

func TestSensorsOfAnotherBusAndDerivedPointsAreLeftOut(t *testing.T) {
	s := build(device{station: 1, points: []point{holding(0, site.Uint16)}}, device{station: 2, points: []point{holding(5, site.Uint16)}})
	s.Buses = append(s.Buses, site.Bus{Name: "other", Sensors: []int{1}})
	s.Buses[0].Sensors = []int{0}
	s.Points = append(s.Points, site.Point{Sensor: site.None, Derive: site.Derive{By: site.ResistivityOf, Inputs: []site.Input{{Point: 0}}}})
	if got := plan.Of(s, 1).Requests; len(got) != 1 || got[0].Station != 2 {
		t.Errorf("bus 1 asks %v, want station 2 only", got)
	}
}

func TestSlowerSensorsAreDueAtTheirOwnSlots(t *testing.T) {
	p := plan.Of(build(
		device{station: 1, every: 1, points: []point{holding(0, site.Uint16)}},
		device{station: 2, every: 3, points: []point{holding(0, site.Uint16)}},
		device{station: 3, every: 2, points: []point{holding(0, site.Uint16)}}), 0)
	stations := func(rs []plan.Request) string {
		out := ""
		for _, r := range rs {
			out += fmt.Sprint(r.Station)
		}
		return out
	}
	for slot, want := range []string{"123", "1", "13", "12", "13", "1", "123"} {
		if got := stations(p.Due(uint64(slot))); got != want {
			t.Errorf("slot %d: stations %s, want %s", slot, got, want)
		}
	}
	for _, c := range []struct {
		last, now uint64
		want      string
	}{
		{5, 6, "123"}, {6, 7, "1"},
		{6, 8, "13"}, {8, 10, "123"}, // a turn at 9 was skipped and is taken at 10
		{1, 3, "123"}, {3, 5, "13"}, {5, 7, "123"}, // only odd slots: station 3 would never have its turn
		{0, 1000, "123"},
	} {
		if got := stations(p.DueAfter(c.last, c.now)); got != c.want {
			t.Errorf("after slot %d at slot %d: stations %s, want %s", c.last, c.now, got, c.want)
		}
	}
}

// dumb is the fewest requests, and of those the fewest addresses, by trying every way to cut the sorted values into runs.
func dumb(values []point, allowed []bool, longest int) (requests, words int) {
	n := len(values)
	requests = n + 1
	for cuts := range 1 << (n - 1) {
		count, sum, fits := 0, 0, true
		for from := 0; from < n && fits; {
			to := from
			for to < n-1 && cuts>>to&1 == 0 {
				to++
			}
			first, last := values[from].addr, 0
			for _, v := range values[from : to+1] {
				last = max(last, v.addr+v.typ.Words()-1)
			}
			for a := first; a <= last; a++ {
				fits = fits && allowed[a]
			}
			fits = fits && last-first+1 <= longest
			count, sum, from = count+1, sum+last-first+1, to+1
		}
		if fits && (count < requests || count == requests && sum < words) {
			requests, words = count, sum
		}
	}
	return requests, words
}

func TestNoPlanIsShorterAndNoneAsksWhatIsNotListed(t *testing.T) {
	const rounds = 1500
	bridged, split := 0, 0
	for seed := range uint64(rounds) {
		r := rand.New(rand.NewPCG(seed, 1))
		d := device{station: 1 + uint8(r.IntN(3)), longest: 4 + r.IntN(9)}
		allowed := make([]bool, 100) // 9 values of at most 4 registers and gaps of at most 3 end before
		types := []site.Type{site.Int16, site.Uint32, site.Float32, site.Float64}
		at := r.IntN(5)
		for range 1 + r.IntN(9) {
			v := holding(at, types[r.IntN(len(types))])
			d.points = append(d.points, v)
			for a := at; a < at+v.typ.Words(); a++ {
				allowed[a] = true
			}
			at += v.typ.Words()
			if gap := r.IntN(4); gap > 0 {
				if r.IntN(2) == 0 {
					d.open = append(d.open, site.Span{Table: reading.Holding, Addr: uint16(at), Count: gap})
					for a := at; a < at+gap; a++ {
						allowed[a] = true
					}
				}
				at += gap
			}
		}
		sorted := slices.Clone(d.points)
		r.Shuffle(len(d.points), func(i, j int) { d.points[i], d.points[j] = d.points[j], d.points[i] })

		p := plan.Of(build(d), 0)
		words := 0
		for i, q := range p.Requests {
			words += int(q.Count)
			if int(q.Count) > d.longest {
				t.Errorf("seed %d: request %d asks %d, longest is %d", seed, i, q.Count, d.longest)
			}
			for a := int(q.Addr); a < int(q.Addr)+int(q.Count); a++ {
				if !allowed[a] {
					t.Errorf("seed %d: address %d is not listed", seed, a)
				}
			}
		}
		for _, v := range sorted {
			whole, touched := 0, 0
			for _, q := range p.Requests {
				first, last := max(v.addr, int(q.Addr)), min(v.addr+v.typ.Words(), int(q.Addr)+int(q.Count))
				if first < last {
					touched++
				}
				if last-first == v.typ.Words() {
					whole++
				}
			}
			if whole != 1 || touched != 1 {
				t.Errorf("seed %d: value at %d is whole in %d requests and touched by %d, want 1 and 1", seed, v.addr, whole, touched)
			}
		}
		wantRequests, wantWords := dumb(sorted, allowed, d.longest)
		if len(p.Requests) != wantRequests || words != wantWords {
			t.Errorf("seed %d: %d requests of %d registers, the dumb planner finds %d of %d", seed, len(p.Requests), words, wantRequests, wantWords)
		}
		if len(p.Requests) < len(sorted) {
			bridged++
		}
		if len(p.Requests) > 1 {
			split++
		}
		if again := plan.Of(build(d), 0); !cmp.Equal(p, again) {
			t.Errorf("seed %d: planned twice, got two plans", seed)
		}
	}
	if bridged < rounds/2 || split < rounds/2 {
		t.Errorf("the maps are too easy: of %d, %d share requests and %d need several", rounds, bridged, split)
	}
}

// The serial number is asked rarely, never beside a reading, and only where the map lists it.
func TestASerialNumberIsAskedOnItsOwn(t *testing.T) {
	s := &site.Site{
		Buses:   []site.Bus{{Name: "net", Sensors: []int{0}}},
		Sensors: []site.Sensor{{Path: "b2.dye", Panel: site.None, Station: 13, Every: 2, Points: []int{0}, Allowed: []site.Span{{Table: reading.Holding, Addr: 0, Count: 20}}}},
		Points:  []site.Point{{Path: "b2.dye.dye", Table: reading.Holding, Addr: 0, Decode: site.Decode{Type: site.Uint16, Scale: 1}}},
	}
	s.Sensors[0].Identity = site.Identity{Configured: true, Table: reading.Holding, Addr: 1, Count: 8, Every: 60}
	p := plan.Of(s, 0)
	want := []plan.Request{{Station: 13, Table: reading.Holding, Addr: 0, Count: 1, Every: 2}, {Station: 13, Table: reading.Holding, Addr: 1, Count: 8, Every: 60}}
	if !slices.Equal(p.Requests, want) {
		t.Errorf("%+v", p.Requests)
	}
	if r := p.Rooms[want[1]]; len(r.Values) != 1 || r.Values[0] != (plan.Span{Addr: 1, Count: 8}) {
		t.Errorf("a serial number may not be parted: %+v", r)
	}
	s.Sensors[0].Identity.Addr = 30
	if p := plan.Of(s, 0); len(p.Requests) != 1 || len(p.Unlisted) != 0 {
		t.Errorf("%+v", p)
	}
}
