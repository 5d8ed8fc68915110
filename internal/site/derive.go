package site

import "rillwatch/internal/quantity"

// Derivation names a computation. The zero Derivation is none.
type Derivation uint8

// Derivations.
const (
	NoDerivation Derivation = iota
	ResistivityOf
	PercentSaturationOf
	ConductivityAt25Of
	CyclesFromConductivity
	CyclesFromChloride
	CyclesFromTracer
	BlowdownOfFeedwater
	BlowdownOfSteam
	ScavengerDemandOf
	ScavengerFeedOf
	ProductFromTracer
	BelowSaturationOf
	PHExpectedFrom
	PHAboveExpected
	LeadTimeOf
	derivationCount
)

// DerivationCount is the number of derivations, NoDerivation among them.
const DerivationCount = int(derivationCount)

// Need says what becomes of a derivation whose input is not given. The zero Need refuses it.
type Need uint8

// Needs.
const (
	Required     Need = iota
	OrAltitude        // the usual pressure of the air at the site's altitude stands in; without that it is refused
	OrLineVolume      // the volume of the panel's own line stands in; without a line it is refused
	OrUsual           // Usual stands in
	Optional          // the computation goes without
)

// DeriveInput is one named input of a kind. The first input of every kind names it and must be a point; any other may be a point or
// a constant.
type DeriveInput struct {
	Key      string
	Quantity quantity.Quantity
	Unit     string // in which the computation takes it
	Need     Need
	Usual    float64 // in Unit: with OrUsual what stands in, else an example of a constant; 1 where 0
	Why      string  // where Usual comes from
	OnlyFor  string  // the one choice for which it means anything; empty: for all
	Says     string  // what it is, for a person
	Within   []Within
	// Means is what a number must be to stand here: cycles of concentration are no difference of pH, though both have no unit. It is the
	// Words of the kind that computes it; empty: no computed number can stand here.
	Means string
}

// Within is the range of the method for one input, in the unit of the input, both ends in it. A constant outside it could never give a value.
type Within struct {
	Choice    string // for this choice of the kind only; empty: for all
	Low, High float64
}

// Range is the range of the input for one choice of the kind; false where it has none.
func (in *DeriveInput) Range(choice string) (low, high float64, ok bool) {
	for _, w := range in.Within {
		if w.Choice == "" || w.Choice == choice {
			return w.Low, w.High, true
		}
	}
	return 0, 0, false
}

// Needs tells whether the computation cannot do without the input, for one choice of the kind.
func (in *DeriveInput) Needs(choice string) bool {
	return in.Need != Optional && (in.OnlyFor == "" || in.OnlyFor == choice)
}

// DeriveKind describes one computation as a configuration names it.
type DeriveKind struct {
	By      Derivation
	Name    string // in JSON and for people
	Inputs  []DeriveInput
	Choice  string   // the key of a choice; empty: there is none
	Choices []string // what it may be
	Usual   string   // taken when the choice is not made; empty: it must be made
	Result  quantity.Quantity
	Unit    string   // of the result, when none is said; the computation gives it in this one
	Step    float64  // the usual display, in Unit; 0: as its quantity
	Fine    []string // the choices whose usual display is ten times finer
	Words   string   // what the result is called in a message; empty: as its quantity
	InName  string   // a word the point's name must hold, where two computations are commonly called by one name
	Water   bool     // it describes the water, whatever its quantity: it rests while the boiler is off line
}

// deriveKinds are the computations there are. Sources and ranges stand with the functions of the chemistry room that they call.
var deriveKinds = [derivationCount]DeriveKind{
	ResistivityOf: {Name: "resistivity", Result: quantity.Resistivity, Unit: "MOhm.cm", Water: true,
		Inputs: []DeriveInput{{Key: "resistivity_of", Quantity: quantity.Conductivity, Unit: "uS/cm", Says: "the conductivity"}}},
	PercentSaturationOf: {Name: "percent saturation", Result: quantity.Ratio, Unit: "%", Step: 0.001, Words: "oxygen saturation", Water: true,
		Inputs: []DeriveInput{
			{Key: "percent_saturation_of", Quantity: quantity.DissolvedOxygen, Unit: "ug/L", Says: "the dissolved oxygen"},
			{Key: "temperature", Quantity: quantity.Temperature, Unit: "degC", Says: "the temperature of the water at the oxygen sensor", Within: []Within{{Low: 0, High: 100}}},
			barometer}},
	ConductivityAt25Of: {Name: "conductivity at 25 degC", Result: quantity.Conductivity, Unit: "uS/cm", Water: true,
		Choice: "rule", Choices: []string{Linear, "natural", "salt-trace"},
		Inputs: []DeriveInput{
			{Key: "conductivity_at_25_of", Quantity: quantity.Conductivity, Unit: "uS/cm", Says: "the conductivity as measured, not compensated"},
			{Key: "temperature", Quantity: quantity.Temperature, Unit: "degC", Says: "its temperature", Within: []Within{{Linear, 0, 100}, {"natural", 0, 35.9}, {"salt-trace", 0, 80}}},
			{Key: "slope_percent_per_K", Quantity: quantity.Number, Unit: "number", Need: OrUsual, Usual: UsualSlope, Why: "common practice for dilute salts", OnlyFor: Linear, Says: "the slope of the linear rule", Within: []Within{{Low: 1, High: 3}}}}},
	CyclesFromConductivity: cycles("cycles_from_conductivity", quantity.Conductivity, "uS/cm", "conductivity", 0.01, 1e6),
	CyclesFromChloride:     cycles("cycles_from_chloride", quantity.Chloride, "mg/L", "chloride", 0.001, 10e3),
	CyclesFromTracer:       cycles("cycles_from_tracer", quantity.Dye, "ug/kg", "tracer", 0.01, 1e6),
	BlowdownOfFeedwater: {Name: "blowdown as share of feedwater", Result: quantity.Ratio, Unit: "%", Step: 0.01, Words: "blowdown as share of feedwater", InName: "feedwater", Water: true,
		Inputs: []DeriveInput{{Key: "blowdown_of_feedwater_from", Quantity: quantity.Number, Unit: "number", Says: "the cycles of concentration", Means: cyclesWords}}},
	BlowdownOfSteam: {Name: "blowdown as share of steam", Result: quantity.Ratio, Unit: "%", Step: 0.01, Words: "blowdown as share of steam", InName: "steam", Water: true,
		Inputs: []DeriveInput{{Key: "blowdown_of_steam_from", Quantity: quantity.Number, Unit: "number", Says: "the cycles of concentration", Means: cyclesWords}}},
	ScavengerDemandOf: {Name: "scavenger demand", Result: quantity.Dose, Unit: "mg/L", Step: 0.001, Fine: []string{"N2H4", "DEHA", "carbohydrazide"}, Words: "scavenger demand", Water: true,
		Choice: "scavenger", Choices: []string{"SO3", "Na2SO3", "NaHSO3", "Na2S2O5", "N2H4", "DEHA", "erythorbic-acid", "carbohydrazide"},
		Inputs: []DeriveInput{{Key: "scavenger_demand_of", Quantity: quantity.DissolvedOxygen, Unit: "ug/L", Says: "the dissolved oxygen before the scavenger"}}},
	ScavengerFeedOf: {Name: "scavenger feed", Result: quantity.Dose, Unit: "mg/L", Step: 0.001, Words: "scavenger feed", Water: true,
		Choice: "scavenger", Choices: []string{"SO3", "Na2SO3", "NaHSO3", "Na2S2O5"},
		Inputs: []DeriveInput{
			{Key: "scavenger_feed_of", Quantity: quantity.DissolvedOxygen, Unit: "ug/L", Says: "the dissolved oxygen before the scavenger"},
			{Key: "residual", Quantity: quantity.Sulfite, Unit: "mg/L", Says: "the residual held in the boiler water, in the substance of scavenger", Within: []Within{{Low: 0, High: 1000}}},
			{Key: "cycles", Quantity: quantity.Number, Unit: "number", Says: "the cycles of concentration", Means: cyclesWords, Within: []Within{{Low: 1, High: 1000}}}}},
	ProductFromTracer: {Name: "product dose", Result: quantity.Dose, Unit: "mg/kg", Words: "product dose", Water: true,
		Inputs: []DeriveInput{
			{Key: "product_from_tracer", Quantity: quantity.Dye, Unit: "ug/kg", Says: "the tracer in the feedwater"},
			{Key: "tracer_share", Quantity: quantity.Ratio, Unit: "%", Says: "the share of tracer in the product", Within: []Within{{Low: 1e-4, High: 100}}},
			{Key: "ph", Quantity: quantity.PH, Unit: "pH", Need: Optional, Says: "the pH of the same water: fluorescein reads low below 7.5", Within: []Within{{Low: 0, High: 14}}}}},
	BelowSaturationOf: {Name: "kelvin below saturation", Result: quantity.TemperatureDifference, Unit: "K(diff)", Words: "distance below saturation",
		Inputs: []DeriveInput{
			{Key: "below_saturation_of", Quantity: quantity.Temperature, Unit: "degC", Says: "the temperature of the deaerator's water"},
			{Key: "gauge_pressure", Quantity: quantity.Pressure, Unit: "bar(g)", Says: "the deaerator's own pressure", Within: []Within{{Low: -1, High: 20}}},
			barometer,
			{Key: "gauge_error", Quantity: quantity.Pressure, Unit: "bar(g)", Need: Optional, Says: "by how much that gauge may be wrong", Within: []Within{{Low: 0, High: 1}}}}},
	PHExpectedFrom: {Name: "pH expected from conductivity", Result: quantity.PH, Unit: "pH", Words: "pH expected from conductivity", Water: true,
		Inputs: []DeriveInput{{Key: "ph_expected_from", Quantity: quantity.Conductivity, Unit: "uS/cm", Says: "the conductivity at 25 degC of water with ammonia alone"}}},
	PHAboveExpected: {Name: "pH above the one expected from conductivity", Result: quantity.Number, Unit: "number", Step: 0.01, Words: "pH above the one expected from conductivity", Water: true,
		Inputs: []DeriveInput{
			{Key: "ph_above_expected", Quantity: quantity.PH, Unit: "pH", Says: "the measured pH"},
			{Key: "conductivity", Quantity: quantity.Conductivity, Unit: "uS/cm", Says: "the conductivity at 25 degC of water with ammonia alone", Within: []Within{{Low: 0.3, High: 25}}}}},
	LeadTimeOf: {Name: "lead time of the line", Result: quantity.Duration, Unit: "s", Words: "lead time of the sample line",
		Inputs: []DeriveInput{
			{Key: "lead_time_of", Quantity: quantity.Flow, Unit: "mL/min", Says: "the sample flow"},
			{Key: "volume", Quantity: quantity.Volume, Unit: "mL", Need: OrLineVolume, Says: "the volume from tap to cell", Within: []Within{{Low: 1e-6, High: 2e6}}}}},
}

var barometer = DeriveInput{Key: "barometer", Quantity: quantity.Pressure, Unit: "hPa(a)", Need: OrAltitude, Usual: 1013, Says: "the pressure of the air at the place, not reduced to sea level", Within: []Within{{Low: 506.625, High: 1114.575}}}

const cyclesWords = "cycles of concentration"

func cycles(key string, q quantity.Quantity, unit, of string, low, high float64) DeriveKind {
	return DeriveKind{Name: cyclesWords, Result: quantity.Number, Unit: "number", Step: 0.1, Words: cyclesWords, Water: true,
		Inputs: []DeriveInput{
			{Key: key, Quantity: q, Unit: unit, Says: "the " + of + " of the boiler water"},
			{Key: "feedwater", Quantity: q, Unit: unit, Says: "the " + of + " of the feedwater", Within: []Within{{Low: low, High: high}}}}}
}

// Kind describes the derivation; the zero kind for none.
func (d Derivation) Kind() DeriveKind {
	if int(d) >= DerivationCount {
		return DeriveKind{}
	}
	k := deriveKinds[d]
	k.By = d
	return k
}

// StepOf is the usual display for one choice of the kind, in Unit; 0: as its quantity. A microgram of oxygen takes 5 and more of a sulfite, and
// some 1.0 to 1.4 of what takes up the most: one digit more, or a demand of that microgram is not seen.
func (k *DeriveKind) StepOf(choice string) float64 {
	for _, c := range k.Fine {
		if c == choice {
			return k.Step / 10
		}
	}
	return k.Step
}

func (d Derivation) String() string { return d.Kind().Name }

// Key is the key by which a configuration names the derivation.
func (d Derivation) Key() string {
	if in := d.Kind().Inputs; len(in) > 0 {
		return in[0].Key
	}
	return ""
}

// Derive says how a derived point comes about.
type Derive struct {
	By     Derivation
	Inputs []Input // in the order of the kind's
	Choice string  // one of the kind's; empty where it has none
}

// Input is one input of a derived point: a point, a constant, or neither.
type Input struct {
	Point int     // None for a constant or nothing
	Given bool    // a constant
	Value float64 // of a constant, in the unit of the kind's input
}

// MovesWith is the point whose reads a point follows: itself where it is measured or entered, else the first measured point that it
// is computed from, through other derived points, or the first entered one where none is measured. None for a point that follows nothing.
// Delays are counted in the reads of this one: counting those of all inputs would make them run too fast.
//
// It walks what the point comes from, each point once; whoever needs it often keeps the answer.
func (s *Site) MovesWith(point int) int {
	measured, entered := None, None
	seen := make([]bool, len(s.Points))
	var walk func(point int)
	walk = func(point int) {
		if measured != None || point < 0 || point >= len(s.Points) || seen[point] {
			return
		}
		seen[point] = true
		switch p := &s.Points[point]; {
		case !p.Derived():
			measured = point
		case p.Entered.Configured:
			if entered == None {
				entered = point
			}
		default:
			for _, in := range p.Derive.Inputs {
				walk(in.Point)
			}
		}
	}
	if walk(point); measured != None {
		return measured
	}
	return entered
}
