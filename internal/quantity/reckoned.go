package quantity

import "math/big"

// reckoned are the units of what no point measures. Sources besides those of unit.go: the International Table Btu is
// 1055.05585262 J and Btu/lb 2.326 kJ/kg (both exact: 5th International Conference on the Properties of Steam, 1956; NIST
// SP 811, B.8); MMBtu is a million of them, the M being the Roman thousand twice.
func reckoned() []row {
	rows := []row{
		{quantity: OxygenGas, name: "mL/L", ucum: "mL/L", factor: one, aliases: []string{"ml/l", "cc/L", "cc/l"}},
		// base: kg/h
		{quantity: MassFlow, name: "kg/h", ucum: "kg/h", factor: one},
		{quantity: MassFlow, name: "t/h", ucum: "t/h", factor: rat("1000")},
		{quantity: MassFlow, name: "lb/h", ucum: "[lb_av]/h", factor: rat("0.45359237")},
		{quantity: MassFlow, name: "kg/s", ucum: "kg/s", factor: rat("3600")},
		{quantity: MassFlow, name: "g/h", ucum: "g/h", factor: rat("1e-3")},
		// base: kg
		{quantity: Mass, name: "kg", ucum: "kg", factor: one},
		{quantity: Mass, name: "t", ucum: "t", factor: rat("1000")},
		{quantity: Mass, name: "lb", ucum: "[lb_av]", factor: rat("0.45359237")},
		// base: MJ
		{quantity: Energy, name: "MJ", ucum: "MJ", factor: one},
		{quantity: Energy, name: "GJ", ucum: "GJ", factor: rat("1000")},
		{quantity: Energy, name: "kWh", ucum: "kW.h", factor: rat("3.6")},
		{quantity: Energy, name: "MWh", ucum: "MW.h", factor: rat("3600")},
		{quantity: Energy, name: "MMBtu", ucum: "10*6.[Btu_IT]", factor: rat("1055.05585262")},
		// base: kJ/kg
		{quantity: Enthalpy, name: "kJ/kg", ucum: "kJ/kg", factor: one},
		{quantity: Enthalpy, name: "Btu/lb", ucum: "[Btu_IT]/[lb_av]", factor: rat("2.326")},
		// base: kg/m3
		{quantity: Density, name: "kg/m3", ucum: "kg/m3", factor: one},
		{quantity: Density, name: "kg/L", ucum: "kg/L", factor: rat("1000"), aliases: []string{"g/cm3", "g/mL"}},
		{quantity: Density, name: "lb/ft3", ucum: "[lb_av]/[cft_i]", factor: new(big.Rat).Quo(rat("0.45359237"), rat("0.028316846592"))},
		// base: m/s
		{quantity: Velocity, name: "m/s", ucum: "m/s", factor: one},
		{quantity: Velocity, name: "ft/s", ucum: "[ft_i]/s", factor: rat("0.3048")},
	}
	rows = append(rows, solute(Solute, "mg/kg", "ug/kg", "ppm", "ppb", "mg/L", "ug/L")...)
	// 1/7000 lb in a gallon: 453592.37/7000 mg over 3.785411784 or 4.54609 L.
	rows = append(rows,
		row{quantity: Solute, basis: concentration, name: "gr/gal(US)", ucum: "[gr]/[gal_us]", display: "gr/US gal", factor: new(big.Rat).Quo(rat("64.79891"), rat("3.785411784"))},
		row{quantity: Solute, basis: concentration, name: "gr/gal(imp)", ucum: "[gr]/[gal_br]", display: "gr/imperial gal", factor: new(big.Rat).Quo(rat("64.79891"), rat("4.54609"))})
	return append(append(rows, sulfiteAs(SulfiteSO3, "SO3")...), sulfiteAs(SulfiteNa2SO3, "Na2SO3")...)
}

// sulfiteAs gives the units of sulfite with the basis as part of their spelling: "mg/L as SO3".
func sulfiteAs(q Quantity, salt string) []row {
	rows := solute(q, "mg/L", "mg/kg", "ppm", "ug/L", "ug/kg", "ppb")
	for i := range rows {
		rows[i].name += " as " + salt
		for k, a := range rows[i].aliases {
			rows[i].aliases[k] = a + " as " + salt
		}
	}
	return rows
}

// bases names, per quantity, the unit on which the factors of the table stand. Mass fraction and concentration, gauge and
// absolute are told apart by baseOf.
var bases = [quantityEnd]string{
	Temperature: "K", DissolvedOxygen: "mg", Dye: "mg", Sulfite: "mg", Conductivity: "S/m", Resistivity: "Ohm.m", Flow: "L/min",
	Pressure: "Pa", PH: "pH", ORP: "V", Ratio: "ratio", Number: "number", Length: "m", Volume: "L", State: "state",
	Chloride: "mg", Dose: "mg", TemperatureDifference: "K(diff)", SulfiteSO3: "mg", SulfiteNa2SO3: "mg", Solute: "mg", OxygenGas: "mL/L", MassFlow: "kg/h", Mass: "kg", Energy: "MJ",
	Enthalpy: "kJ/kg", Density: "kg/m3", Velocity: "m/s", Duration: "s",
}

func baseOf(r *row) string {
	base := bases[r.quantity]
	switch r.basis {
	case massFraction:
		return base + "/kg"
	case concentration:
		return base + "/L"
	case gauge:
		return base + "(g)"
	case absolute:
		return base + "(a)"
	}
	return base
}
