package quantity

import "math/big"

// Unit is one unit of measure of one quantity. It is a small comparable value
// that cannot change. The zero Unit is no unit: nothing converts from it or to
// it.
type Unit struct{ id uint8 } // index into table

// Quantity is what u measures; None for the zero Unit.
func (u Unit) Quantity() Quantity { return table[u.id].quantity }

// Name is the spelling in configuration and JSON, plain ASCII, such as "ug/L",
// "degC" or "bar(g)". ParseUnit takes it back.
func (u Unit) Name() string { return table[u.id].name }

// String is Name.
func (u Unit) String() string { return u.Name() }

// MarshalText is Name; without it a Unit in JSON would be an empty object.
func (u Unit) MarshalText() ([]byte, error) { return []byte(u.Name()), nil }

// UCUM is the unit's code in the Unified Code for Units of Measure (version
// 2.2), such as "[ppb]" or "Cel". UCUM cannot say gauge or absolute, nor of
// what: "bar" is all it has for both. Use Name where that matters.
func (u Unit) UCUM() string { return table[u.id].ucum }

// Display is the unit as a message to a person prints it after the number,
// plain ASCII: "ug/L", "degC", "bar gauge". It is empty where a number needs no
// unit (ratio, number, state).
func (u Unit) Display() string { return table[u.id].display }

// Aliases lists the other spellings ParseUnit takes for u, besides those with
// micro, ohm and degree signs. The caller owns the slice.
func (u Unit) Aliases() []string { return append([]string(nil), table[u.id].aliases...) }

// Exact is what Convert reckons with: v of u is v*factor + offset in base, the
// name of the base unit of its quantity. offset is nil where there is none. The
// caller owns both numbers. For the zero Unit factor is nil and base empty.
func (u Unit) Exact() (factor, offset *big.Rat, base string) {
	r := &table[u.id]
	if r.factor == nil {
		return nil, nil, ""
	}
	factor = new(big.Rat).Set(r.factor)
	if r.offset != nil {
		offset = new(big.Rat).Set(r.offset)
	}
	return factor, offset, baseOf(r)
}

// Metric is the full name of u's metric family without the program's prefix,
// such as "dissolved_oxygen_ppb" or "pressure_above_atmospheric_kilopascals", and the unit
// its values are converted to. A suffix equal to the family is said once:
// "ratio", "number". The zero Unit has neither.
func (u Unit) Metric() (name string, unit Unit) {
	row := table[u.id]
	suffix, unit := row.quantity.Metric()
	family := row.quantity.Family()
	switch row.basis {
	case gauge: // promlint takes "gauge" in a name for the type of the metric
		family, unit = "pressure_above_atmospheric", mustFind("kPa(g)", Pressure)
	case absolute:
		family, unit = "absolute_pressure", mustFind("kPa(a)", Pressure)
	}
	if suffix == "" || suffix == family {
		return family, unit
	}
	return family + "_" + suffix, unit
}

// basis parts the units of one quantity between which a factor is not enough.
type basis uint8

const (
	plain         basis = iota
	massFraction        // mass of solute per mass of water
	concentration       // mass of solute per volume of water
	gauge               // above the air outside
	absolute            // above vacuum
)

// row is one unit. A value v of it is v*factor + offset in the base unit of its
// quantity and basis.
type row struct {
	quantity Quantity
	basis    basis
	name     string
	ucum     string
	display  string   // as name where empty, unless bare
	bare     bool     // a number of it is printed without a unit
	factor   *big.Rat // > 0
	offset   *big.Rat // nil: none. Temperatures only
	aliases  []string
}

const firstUnit = 1 // table[0] is the zero Unit

// Sources of the factors. SI prefixes and the litre (1 dm3) are definitions
// (SI brochure, 9th edition). 0 degC = 273.15 K and degF = 5/9 K, 32 degF =
// 0 degC: NIST SP 811. The inch is 25.4 mm, the foot 12 inches, the US gallon
// 231 cubic inches, the imperial gallon 4.54609 L, the pound 0.45359237 kg (the grain a
// seven-thousandth of it), the standard acceleration 9.80665 m/s2: all exact, NIST SP 811 and the UK Units of
// Measurement Regulations 1995.
var (
	one = rat("1")
	// 1 psi = 1 lbf/in2 = 0.45359237 * 9.80665 / 0.0254^2 Pa = 6894.757 293 168... Pa.
	psiInPascals = new(big.Rat).Quo(
		new(big.Rat).Mul(rat("0.45359237"), rat("9.80665")),
		new(big.Rat).Mul(rat("0.0254"), rat("0.0254")))
	// The conventional millimetre of mercury, 13 595.1 kg/m3 * 9.80665 m/s2 * 1 mm: 133.322 387 415 Pa (NIST SP 811, B.8, to
	// its 6 digits).
	millimetreOfMercury = new(big.Rat).Mul(rat("13.5951"), rat("9.80665"))
)

// table is every unit there is. The first of each quantity is the usual one.
// One base unit is noted per quantity and basis; mass fraction and concentration
// of one solute share their scale, so that 1 ug/L stands on 1 ppb: that is the
// density of 1 kg/L which Convert always names.
var table = buildTable()

func buildTable() []row {
	rows := []row{firstUnit - 1: {}}
	add := func(r ...row) { rows = append(rows, r...) }

	// base: K
	add(
		row{quantity: Temperature, name: "degC", ucum: "Cel", factor: one, offset: rat("273.15"), aliases: []string{"Cel"}},
		row{quantity: Temperature, name: "degF", ucum: "[degF]", factor: rat("5/9"), offset: new(big.Rat).Mul(rat("459.67"), rat("5/9"))},
		row{quantity: Temperature, name: "K", ucum: "K", factor: one},
	)
	add(solute(DissolvedOxygen, "ppb", "ug/L", "ug/kg", "ppm", "mg/L", "mg/kg")...)
	add(solute(Dye, "ppb", "ug/L", "ug/kg", "ppm", "mg/L", "mg/kg")...)
	add(solute(Sulfite, "ppm", "mg/L", "mg/kg", "ppb", "ug/L", "ug/kg")...)

	// base: S/m. The mho is the old name of the siemens, still on many panels.
	add(
		row{quantity: Conductivity, name: "uS/cm", ucum: "uS/cm", factor: rat("1e-4"), aliases: []string{"umho/cm", "umhos/cm"}},
		row{quantity: Conductivity, name: "mS/cm", ucum: "mS/cm", factor: rat("0.1"), aliases: []string{"mmho/cm", "mmhos/cm", "dS/m"}},
		row{quantity: Conductivity, name: "uS/m", ucum: "uS/m", factor: rat("1e-6")},
		row{quantity: Conductivity, name: "mS/m", ucum: "mS/m", factor: rat("1e-3")},
		row{quantity: Conductivity, name: "S/m", ucum: "S/m", factor: one},
	)
	// base: Ohm.m
	add(
		row{quantity: Resistivity, name: "MOhm.cm", ucum: "MOhm.cm", factor: rat("1e4"), aliases: []string{"MOhm cm", "MOhm-cm"}},
		row{quantity: Resistivity, name: "kOhm.cm", ucum: "kOhm.cm", factor: rat("10"), aliases: []string{"kOhm cm", "kOhm-cm"}},
		row{quantity: Resistivity, name: "Ohm.m", ucum: "Ohm.m", factor: one, aliases: []string{"Ohm m", "Ohm-m"}},
	)
	// base: L/min. "l" is as good an SI symbol of the litre as "L".
	add(
		row{quantity: Flow, name: "mL/min", ucum: "mL/min", factor: rat("1e-3"), aliases: []string{"ml/min", "cc/min", "cm3/min"}},
		row{quantity: Flow, name: "L/min", ucum: "L/min", factor: one, aliases: []string{"l/min"}},
		row{quantity: Flow, name: "L/h", ucum: "L/h", factor: rat("1/60"), aliases: []string{"l/h"}},
		row{quantity: Flow, name: "m3/h", ucum: "m3/h", factor: rat("1000/60")},
		row{quantity: Flow, name: "gal(US)/min", ucum: "[gal_us]/min", display: "US gal/min", factor: rat("3.785411784")},
		row{quantity: Flow, name: "gal(imp)/min", ucum: "[gal_br]/min", display: "imperial gal/min", factor: rat("4.54609")},
		row{quantity: Flow, name: "gal(US)/h", ucum: "[gal_us]/h", display: "US gal/h", factor: new(big.Rat).Quo(rat("3.785411784"), rat("60"))},
		row{quantity: Flow, name: "gal(imp)/h", ucum: "[gal_br]/h", display: "imperial gal/h", factor: new(big.Rat).Quo(rat("4.54609"), rat("60"))},
	)
	// base: Pa
	add(pressure("bar", "bar", rat("1e5"), true)...)
	add(pressure("kPa", "kPa", rat("1e3"), true)...)
	add(pressure("MPa", "MPa", rat("1e6"), true)...)
	add(pressure("psi", "[psi]", psiInPascals, true)...)
	add(pressure("mbar", "mbar", rat("100"), true)...)
	add(pressure("hPa", "hPa", rat("100"), false)...)
	// What a barometer is read in: absolute only.
	add(pressure("mmHg", "mm[Hg]", millimetreOfMercury, false)[1])
	add(pressure("inHg", "[in_i'Hg]", new(big.Rat).Mul(millimetreOfMercury, rat("25.4")), false)[1])
	add(pressure("atm", "atm", rat("101325"), false)[1])

	add(
		row{quantity: PH, name: "pH", ucum: "[pH]", factor: one},
		// base: V
		row{quantity: ORP, name: "mV", ucum: "mV", factor: rat("1e-3")},
		row{quantity: ORP, name: "V", ucum: "V", factor: one},
		row{quantity: Ratio, name: "%", ucum: "%", factor: rat("1/100")},
		row{quantity: Ratio, name: "ratio", ucum: "1", bare: true, factor: one},
		row{quantity: Number, name: "number", ucum: "1", bare: true, factor: one},
		// base: m
		row{quantity: Length, name: "m", ucum: "m", factor: one},
		row{quantity: Length, name: "mm", ucum: "mm", factor: rat("1e-3")},
		row{quantity: Length, name: "cm", ucum: "cm", factor: rat("1e-2")},
		row{quantity: Length, name: "in", ucum: "[in_i]", factor: rat("0.0254")},
		row{quantity: Length, name: "ft", ucum: "[ft_i]", factor: rat("0.3048")},
		// base: L
		row{quantity: Volume, name: "mL", ucum: "mL", factor: rat("1e-3"), aliases: []string{"ml", "cc", "cm3"}},
		row{quantity: Volume, name: "L", ucum: "L", factor: one, aliases: []string{"l"}},
		row{quantity: Volume, name: "m3", ucum: "m3", factor: rat("1000")},
		row{quantity: Volume, name: "gal(US)", ucum: "[gal_us]", display: "US gal", factor: rat("3.785411784")},
		row{quantity: Volume, name: "gal(imp)", ucum: "[gal_br]", display: "imperial gal", factor: rat("4.54609")},
		row{quantity: State, name: "state", ucum: "1", bare: true, factor: one},
	)
	add(solute(Chloride, "ppm", "mg/L", "mg/kg", "ppb", "ug/L", "ug/kg")...)
	add(solute(Dose, "ppm", "mg/L", "mg/kg", "ppb", "ug/L", "ug/kg")...)
	add(
		// base: s
		row{quantity: Duration, name: "s", ucum: "s", factor: one},
		row{quantity: Duration, name: "min", ucum: "min", factor: rat("60")},
		row{quantity: Duration, name: "h", ucum: "h", factor: rat("3600")},
		row{quantity: Duration, name: "d", ucum: "d", factor: rat("86400")},
		// base: K. "(diff)" as pressures say "(g)": a difference of 9 degF is one of 5 K, and a temperature of 9 degF is none of 5 K.
		row{quantity: TemperatureDifference, name: "K(diff)", ucum: "K", display: "K", factor: one},
		row{quantity: TemperatureDifference, name: "degF(diff)", ucum: "[degF]", display: "degF of difference", factor: rat("5/9")},
	)
	add(reckoned()...)
	for i := range rows {
		if rows[i].display == "" && !rows[i].bare {
			rows[i].display = rows[i].name
		}
	}
	return rows
}

// solute gives the rows of one dissolved matter, in the order of names. The base
// is 1e-6: ppm on the scale of mass fraction, mg/L on that of concentration.
func solute(q Quantity, names ...string) []row {
	all := []row{
		{basis: massFraction, name: "ppb", ucum: "[ppb]", factor: rat("1e-3")},
		{basis: massFraction, name: "ppm", ucum: "[ppm]", factor: one},
		{basis: massFraction, name: "ug/kg", ucum: "ug/kg", factor: rat("1e-3")},
		{basis: massFraction, name: "mg/kg", ucum: "mg/kg", factor: one},
		{basis: concentration, name: "ug/L", ucum: "ug/L", factor: rat("1e-3"), aliases: []string{"ug/l", "mg/m3", "ug/dm3"}},
		{basis: concentration, name: "mg/L", ucum: "mg/L", factor: one, aliases: []string{"mg/l", "g/m3", "mg/dm3"}},
	}
	var rows []row
	for _, name := range names {
		for _, r := range all {
			if r.name == name {
				r.quantity = q
				rows = append(rows, r)
			}
		}
	}
	return rows
}

// pressure gives the gauge and the absolute row of one pressure unit. A joined
// alias, as in "barg" and "psia", is taken where the trade writes it so.
func pressure(name, ucum string, pascals *big.Rat, joined bool) []row {
	alias := func(letter string) []string {
		if !joined {
			return nil
		}
		return []string{name + letter}
	}
	return []row{
		{quantity: Pressure, basis: gauge, name: name + "(g)", ucum: ucum, display: name + " gauge", factor: pascals, aliases: alias("g")},
		{quantity: Pressure, basis: absolute, name: name + "(a)", ucum: ucum, display: name + " absolute", factor: pascals, aliases: alias("a")},
	}
}

// rat reads a constant of this file, a decimal or a fraction of integers.
func rat(s string) *big.Rat {
	r, ok := new(big.Rat).SetString(s)
	if !ok {
		panic("quantity: not a number in the table: " + s)
	}
	return r
}

// find looks a spelling up under one quantity, in exact case.
func find(s string, q Quantity) (Unit, bool) {
	for id := firstUnit; id < len(table); id++ {
		r := &table[id]
		if r.quantity == q && spelled(r, s) {
			return Unit{uint8(id)}, true
		}
	}
	return Unit{}, false
}

func spelled(r *row, s string) bool {
	if r.name == s {
		return true
	}
	for _, a := range r.aliases {
		if a == s {
			return true
		}
	}
	return false
}

// mustFind is find for a spelling of this package's own.
func mustFind(s string, q Quantity) Unit {
	u, ok := find(s, q)
	if !ok {
		panic("quantity: no unit " + s + " of " + q.String())
	}
	return u
}
