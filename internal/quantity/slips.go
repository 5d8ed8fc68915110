package quantity

import "fmt"

// slips are spellings that are refused although, or because, one can see what
// might be meant. quantity None: under every quantity.
var slips = []struct {
	spelling string
	quantity Quantity
	refusal  error
	hint     string
}{
	{"C", None, ErrAmbiguousUnit, `C is the coulomb; write "degC"`},
	{"F", None, ErrAmbiguousUnit, `F is the farad; write "degF"`},
	{"degK", None, ErrUnknownUnit, `the kelvin has no degree; write "K"`},
	{"deg C", None, ErrUnknownUnit, `write "degC"`},
	{"deg F", None, ErrUnknownUnit, `write "degF"`},
	{"deg", None, ErrAmbiguousUnit, `say which degree: "degC" or "degF"`},
	{"ppt", None, ErrAmbiguousUnit, `ppt is read as parts per thousand and per trillion; write "ug/L" or "mg/L"`},
	{"ppb", Conductivity, ErrOtherQuantity, `dissolved solids are not conductivity, the factor depends on the salts; write "uS/cm" as the sensor measures`},
	{"ppm", Conductivity, ErrOtherQuantity, `dissolved solids are not conductivity, the factor depends on the salts; write "uS/cm" as the sensor measures`},
	{"gal/min", None, ErrAmbiguousUnit, gallons},
	{"gpm", None, ErrAmbiguousUnit, gallons},
	{"GPM", None, ErrAmbiguousUnit, gallons},
	{"L/hr", None, ErrUnknownUnit, `write "L/h"`},
	{"LPH", None, ErrUnknownUnit, `write "L/h"`},
	{"lph", None, ErrUnknownUnit, `write "L/h"`},
	{"LPM", None, ErrUnknownUnit, `write "L/min"`},
	{"lpm", None, ErrUnknownUnit, `write "L/min"`},
	{"gal/h", None, ErrAmbiguousUnit, gallonsHour},
	{"gph", None, ErrAmbiguousUnit, gallonsHour},
	{"GPH", None, ErrAmbiguousUnit, gallonsHour},
	{"gal", None, ErrAmbiguousUnit, `a US gallon is 3.785 L, an imperial one 4.546 L; write "gal(US)" or "gal(imp)"`},
	{"gpg", None, ErrAmbiguousUnit, grains},
	{"gr/gal", None, ErrAmbiguousUnit, grains},
	{"lb/hr", None, ErrUnknownUnit, `write "lb/h"`},
	{"kg/hr", None, ErrUnknownUnit, `write "kg/h"`},
	{"ton/h", None, ErrAmbiguousUnit, `a ton is 907, 1000 or 1016 kg; write "t/h" for 1000 kg/h, or "lb/h"`},
	{"hr", None, ErrUnknownUnit, `write "h"`},
	{"Btu", None, ErrUnknownUnit, `write "MMBtu", a million of them`},
	{"MBtu", None, ErrAmbiguousUnit, `M is a thousand in the trade and a million elsewhere; write "MMBtu"`},
	{"mmHg", None, ErrAmbiguousUnit, `write "mmHg(a)": a barometer shows absolute pressure`},
	{"inHg", None, ErrAmbiguousUnit, `write "inHg(a)": a barometer shows absolute pressure`},
	{"atm", None, ErrAmbiguousUnit, `write "atm(a)": a barometer shows absolute pressure`},
	{"bar", None, ErrAmbiguousUnit, gaugeOr + `"bar(g)" or "bar(a)"`},
	{"mbar", None, ErrAmbiguousUnit, gaugeOr + `"mbar(g)" or "mbar(a)"`},
	{"hPa", None, ErrAmbiguousUnit, gaugeOr + `"hPa(g)" or "hPa(a)"`},
	{"kPa", None, ErrAmbiguousUnit, gaugeOr + `"kPa(g)" or "kPa(a)"`},
	{"MPa", None, ErrAmbiguousUnit, gaugeOr + `"MPa(g)" or "MPa(a)"`},
	{"psi", None, ErrAmbiguousUnit, gaugeOr + `"psi(g)" or "psi(a)"`},
	{"umhos", Conductivity, ErrUnknownUnit, `write "umho/cm" or "uS/cm"`},
	{"uS", Conductivity, ErrUnknownUnit, perCM},
	{"umho", Conductivity, ErrUnknownUnit, `write "umho/cm" or "uS/cm": a conductivity is per length`},
	{"mS", Conductivity, ErrUnknownUnit, `write "mS/cm": a conductivity is per length`},
	{"MS/cm", None, ErrUnknownUnit, `M is a million: a megasiemens is a thousand million millisiemens; write "mS/cm"`},
	{"MS/m", None, ErrUnknownUnit, `M is a million: a megasiemens is a thousand million millisiemens; write "mS/m"`},
	{"mOhm.cm", None, ErrUnknownUnit, megohm},
	{"mOhm cm", None, ErrUnknownUnit, megohm},
	{"mOhm-cm", None, ErrUnknownUnit, megohm},
	{"megohm-cm", None, ErrUnknownUnit, `write "MOhm.cm"`},
	{"megohm.cm", None, ErrUnknownUnit, `write "MOhm.cm"`},
	{"megohm cm", None, ErrUnknownUnit, `write "MOhm.cm"`},
	{"megohm", None, ErrUnknownUnit, `write "MOhm.cm": a resistivity is times length`},
	{"MOhm", None, ErrUnknownUnit, `write "MOhm.cm": a resistivity is times length`},
	{"Pa", Pressure, ErrUnknownUnit, pascals},
	{"PA", Pressure, ErrUnknownUnit, pascals},
	{"mPa", Pressure, ErrUnknownUnit, `m is a thousandth and M a million: write "MPa(g)" or "MPa(a)", or "kPa(g)" or "kPa(a)"`},
	{"kg/cm2", Pressure, ErrUnknownUnit, `a kilogram-force per cm2 is 0.980665 bar; write "bar(g)" or "bar(a)"`},
	{"kgf/cm2", Pressure, ErrUnknownUnit, `a kilogram-force per cm2 is 0.980665 bar; write "bar(g)" or "bar(a)"`},
	{"torr", Pressure, ErrUnknownUnit, `write "mmHg(a)", which is the same within a seven-millionth`},
	{"mm Hg", Pressure, ErrUnknownUnit, `write "mmHg(a)": a barometer shows absolute pressure`},
	{"in Hg", Pressure, ErrUnknownUnit, `write "inHg(a)": a barometer shows absolute pressure`},
	{"in. Hg", Pressure, ErrUnknownUnit, `write "inHg(a)": a barometer shows absolute pressure`},
	{`"Hg`, Pressure, ErrUnknownUnit, `write "inHg(a)": a barometer shows absolute pressure`},
	{"inH2O", Pressure, ErrUnknownUnit, waterColumn},
	{"inWC", Pressure, ErrUnknownUnit, waterColumn},
	{"mmH2O", Pressure, ErrUnknownUnit, waterColumn},
	{"g/L", None, ErrUnknownUnit, `write "mg/L": 1 g/L is 1000 mg/L`},
	{"g/l", None, ErrUnknownUnit, `write "mg/L": 1 g/L is 1000 mg/L`},
	{"ng/L", None, ErrUnknownUnit, `write "ug/L": 1000 ng/L is 1 ug/L`},
	{"mcg/L", None, ErrUnknownUnit, `write "ug/L"`},
	{"Mg/L", None, ErrUnknownUnit, `M is a million; write "mg/L"`},
	{"% sat", None, ErrOtherQuantity, saturation},
	{"%sat", None, ErrOtherQuantity, saturation},
	{"%", DissolvedOxygen, ErrOtherQuantity, saturation},
	{"SU", PH, ErrUnknownUnit, `write "pH"`},
	{"s.u.", PH, ErrUnknownUnit, `write "pH"`},
	{"Celsius", None, ErrUnknownUnit, `write "degC"`},
	{"Fahrenheit", None, ErrUnknownUnit, `write "degF"`},
	{"Kelvin", None, ErrUnknownUnit, `write "K"`},
	{"deg.C", None, ErrUnknownUnit, `write "degC"`},
	{"deg.F", None, ErrUnknownUnit, `write "degF"`},
	{"ccm", Flow, ErrUnknownUnit, `write "mL/min"`},
	{"mL/m", Flow, ErrUnknownUnit, `write "mL/min"`},
	{"mL/mn", Flow, ErrUnknownUnit, `write "mL/min"`},
	{"sccm", Flow, ErrOtherQuantity, `a standard cubic centimetre is of gas; of water write "mL/min"`},
	{"m3/hr", None, ErrUnknownUnit, `write "m3/h"`},
	{"t/hr", None, ErrUnknownUnit, `write "t/h"`},
	{"klb/h", None, ErrUnknownUnit, `write "lb/h": 1 klb/h is 1000 lb/h`},
	{"inch", Length, ErrUnknownUnit, `write "in"`},
	{"inches", Length, ErrUnknownUnit, `write "in"`},
	{`"`, Length, ErrUnknownUnit, `write "in"`},
	{"feet", Length, ErrUnknownUnit, `write "ft"`},
	{"sec", None, ErrUnknownUnit, `write "s"`},
	{"mins", None, ErrUnknownUnit, `write "min"`},
	{"minutes", None, ErrUnknownUnit, `write "min"`},
	{"hours", None, ErrUnknownUnit, `write "h"`},
	{"hrs", None, ErrUnknownUnit, `write "h"`},
	{"days", None, ErrUnknownUnit, `write "d"`},
	{"percent", None, ErrUnknownUnit, `write "%"`},
	{"pct", None, ErrUnknownUnit, `write "%"`},
}

// slip finds the slip that s is under q: in its own case first, then in any, for "PSI" and "Bar" are as ambiguous as "psi" and "bar".
func slipped(s string, q Quantity, same func(a, b string) bool) error {
	for _, slip := range slips {
		if same(slip.spelling, s) && (slip.quantity == None || slip.quantity == q) {
			return fmt.Errorf("%w %q: %s", slip.refusal, s, slip.hint)
		}
	}
	return nil
}

const (
	perCM       = `write "uS/cm": a conductivity is per length`
	megohm      = `m is a thousandth and M a million: write "MOhm.cm"`
	pascals     = `write "kPa(g)" or "kPa(a)": 1000 Pa are 1 kPa, and the pressure is gauge or absolute`
	waterColumn = `a column of water is not in the table, it depends on the temperature of that water: an inch is about 2.49 hPa; write "hPa(g)" or "mbar(g)"`
	saturation  = `percent of saturation is no content of oxygen: without temperature and pressure of the air it is none; such a point has quantity = "ratio" and unit "%"`
	gallons     = `a US gallon is 3.785 L, an imperial one 4.546 L; write "gal(US)/min" or "gal(imp)/min"`
	gallonsHour = `a US gallon is 3.785 L, an imperial one 4.546 L; write "gal(US)/h" or "gal(imp)/h"`
	grains      = `a grain in a US gallon is 17.12 mg/L, in an imperial one 14.25; write "gr/gal(US)" or "gr/gal(imp)"`
	gaugeOr     = "say whether the pressure is gauge or absolute: "
)
