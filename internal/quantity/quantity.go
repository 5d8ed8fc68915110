package quantity

// Quantity is what a number measures. The zero Quantity is None: not known.
type Quantity uint8

const (
	None                  Quantity = iota // not known; has no units
	Temperature                           // of the sample or of anything else
	DissolvedOxygen                       // as O2
	Conductivity                          // as measured or compensated: the point says which
	Resistivity                           // the reciprocal of conductivity, see package chem
	Flow                                  // volume per time
	Pressure                              // every unit says gauge or absolute
	PH                                    // a pure number with a name of its own
	ORP                                   // oxidation-reduction potential; the point says against which electrode
	Sulfite                               // as SO3 or as Na2SO3: the limit says which
	Dye                                   // fluorescent tracer
	Ratio                                 // a share of one
	Number                                // dimensionless; what it means the point says: config lets none stand for another
	Length                                //
	Volume                                //
	State                                 // one bit
	Chloride                              // as Cl
	Dose                                  // of a treatment chemical, in the substance its point names
	Duration                              // a length of time
	TemperatureDifference                 // between two temperatures: it has no zero point, so it is no temperature

	// What follows is for reckoning at the panel only: no point measures it, and ParseQuantity does not know it.
	SulfiteSO3    // sulfite counted as SO3
	SulfiteNa2SO3 // sulfite counted as Na2SO3: 1.5743 times the number of the same water as SO3
	Solute        // chloride, ammonia, a treatment, in water
	OxygenGas     // volume of oxygen gas, at 0 degC and 1013.25 hPa, in a volume of water
	MassFlow      //
	Mass          //
	Energy        //
	Enthalpy      // specific: energy per mass
	Density       //
	Velocity      //

	quantityEnd // one past the last
)

// lastOfPoint is the last quantity that a point can measure.
const lastOfPoint = TemperatureDifference

// quantityText holds, per quantity: the name in configuration, JSON and
// commands; the middle of the metric's name; its unit at the end of that name;
// and that unit's spelling in the table of units.
//
// Suffixes are the trade's units, because people decide by them, except where
// there is a base unit the trade also reads. promlint refuses
// "megaohm_centimeters", hence ohm meters (1 MOhm.cm = 10 000 Ohm.m, exact). It
// also refuses "millivolts"; that one stays, as a recorded exception, because
// every ORP electrode, manual and test kit is in millivolts.
var quantityText = [quantityEnd]struct{ name, family, suffix, unit string }{
	Temperature:     {"temperature", "temperature", "celsius", "degC"},
	DissolvedOxygen: {"dissolved-oxygen", "dissolved_oxygen", "ppb", "ppb"},
	Conductivity:    {"conductivity", "conductivity", "microsiemens_per_centimeter", "uS/cm"},
	Resistivity:     {"resistivity", "resistivity", "ohm_meters", "Ohm.m"},
	Flow:            {"flow", "flow", "milliliters_per_minute", "mL/min"},
	Pressure:        {"pressure", "pressure", "kilopascals", ""}, // gauge or absolute: Unit.Metric knows
	PH:              {"ph", "ph", "number", "pH"},
	ORP:             {"orp", "orp", "millivolts", "mV"},
	Sulfite:         {"sulfite", "sulfite", "ppm", "ppm"},
	Dye:             {"dye", "dye", "ppb", "ppb"},
	Ratio:           {"ratio", "ratio", "ratio", "ratio"},
	Number:          {"number", "number", "number", "number"},
	Length:          {"length", "length", "meters", "m"},
	Volume:          {"volume", "volume", "liters", "L"},
	State:           {"state", "state", "", "state"},
	Chloride:        {"chloride", "chloride", "ppm", "ppm"},
	Dose:            {"dose", "dose", "ppm", "ppm"},
	Duration:        {"duration", "duration", "seconds", "s"},

	TemperatureDifference: {"temperature-difference", "temperature_difference", "kelvin", "K(diff)"},
	SulfiteSO3:            {name: "sulfite-as-SO3"},
	SulfiteNa2SO3:         {name: "sulfite-as-Na2SO3"},
	Solute:                {name: "solute"},
	OxygenGas:             {name: "oxygen-as-gas"},
	MassFlow:              {name: "mass-flow"},
	Mass:                  {name: "mass"},
	Energy:                {name: "energy"},
	Enthalpy:              {name: "specific-enthalpy"},
	Density:               {name: "density"},
	Velocity:              {name: "velocity"},
}

// text is quantityText without the panic for a Quantity that is none of ours.
func (q Quantity) text() (name, family, suffix, unit string) {
	if q >= quantityEnd {
		return "", "", "", ""
	}
	t := quantityText[q]
	return t.name, t.family, t.suffix, t.unit
}

// String is the name used in configuration, JSON and commands, such as
// "dissolved-oxygen". It is empty for None.
func (q Quantity) String() string {
	name, _, _, _ := q.text()
	return name
}

// MarshalText is String; None is the empty text.
func (q Quantity) MarshalText() ([]byte, error) { return []byte(q.String()), nil }

// ParseQuantity is the reverse of String, in exact case, for what a point can
// measure (Quantities). The empty text is not a quantity.
func ParseQuantity(s string) (Quantity, bool) {
	for q := None + 1; q <= lastOfPoint; q++ {
		if quantityText[q].name == s {
			return q, true
		}
	}
	return None, false
}

// Quantities lists every quantity a point can measure, always in the same order.
// The caller owns the slice.
func Quantities() []Quantity { return between(None+1, lastOfPoint) }

// Reckoned lists the quantities that are only reckoned with at the panel, such
// as a mass flow: no point has them, no metric. The caller owns the slice.
func Reckoned() []Quantity { return between(lastOfPoint+1, quantityEnd-1) }

func between(first, last Quantity) []Quantity {
	all := make([]Quantity, 0, last-first+1)
	for q := first; q <= last; q++ {
		all = append(all, q)
	}
	return all
}

// Units lists the units of q in the order of the table: the trade's usual one
// first. It is empty for None. The caller owns the slice.
func (q Quantity) Units() []Unit {
	var units []Unit
	for id := firstUnit; id < len(table); id++ {
		if table[id].quantity == q {
			units = append(units, Unit{uint8(id)})
		}
	}
	return units
}

// Family is the middle of the metric's name: the quantity with underscores,
// such as "dissolved_oxygen". It is empty for None and for those of Reckoned. Gauge and absolute pressure
// are two families; Unit.Metric names them.
func (q Quantity) Family() string {
	_, family, _, _ := q.text()
	return family
}

// Metric is the unit of the metric family of q and its spelling at the end of
// the family's name. The suffix of State is empty: 0 or 1 needs no unit.
//
// For Pressure the unit is the zero Unit, to which nothing converts: one family
// must not mix gauge and absolute, so ask Unit.Metric of the point's own unit.
// None and the quantities of Reckoned have neither suffix nor unit.
func (q Quantity) Metric() (suffix string, unit Unit) {
	_, _, suffix, spelling := q.text()
	if spelling == "" {
		return suffix, Unit{}
	}
	return suffix, mustFind(spelling, q)
}
