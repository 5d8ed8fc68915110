package chem

import (
	"fmt"
	"math"
)

const (
	molarGas = 8.314462618 // J/(mol K), CODATA 2018
	faraday  = 96485.33212 // C/mol, CODATA 2018
)

var electrodeTemperature = span{name: "temperature", unit: "degC", min: 0, max: 100} // of liquid water at one atmosphere

// NernstSlope is the ideal step of a pH electrode in mV per pH at t_degC: 59.159 at 25. It is also the step of a
// one-electron redox couple for a tenfold ratio.
//
// Source: ln(10) R T / F with the CODATA constants. Valid from 0 to 100 degC. Errors: ErrNotFinite, ErrBelowRange,
// ErrAboveRange.
func NernstSlope(t_degC float64) (mV_per_pH float64, err error) {
	if err := electrodeTemperature.refuse(t_degC); err != nil {
		return 0, err
	}
	return 1000 * math.Ln10 * molarGas * (t_degC + kelvin) / faraday, nil
}

// Buffer is a primary pH standard of the NIST. Commercial "4.01 / 7.00 / 10.01" buffers are other solutions.
type Buffer uint8

const (
	BufferNotStated Buffer = iota // refused with ErrNoneSuch
	Phthalate                     // potassium hydrogen phthalate, 0.05 mol/kg: 4.005 at 25 degC
	Phosphate                     // equimolal, 0.025 mol/kg each: 6.865
	Borax                         // 0.01 mol/kg: 9.180
	Carbonate                     // bicarbonate and carbonate, 0.025 mol/kg each: 10.012
)

// buffers are the NIST values as the CRC Handbook prints them, read in a transcription in public source code; the points
// at 25 degC and the phthalate were confirmed in abstracts of the NBS. The original prints 18 and 37 degC too: the tests
// keep those to check the reading between the rows.
var buffers = [...][]row{
	Phthalate: {{0, 4.000}, {5, 3.998}, {10, 3.997}, {15, 3.998}, {20, 4.001}, {25, 4.005}, {30, 4.011}, {35, 4.018}, {40, 4.027},
		{45, 4.038}, {50, 4.050}, {55, 4.064}, {60, 4.080}, {65, 4.097}, {70, 4.116}, {75, 4.137}, {80, 4.159}, {85, 4.183},
		{90, 4.208}, {95, 4.235}},
	Phosphate: {{0, 6.984}, {5, 6.951}, {10, 6.923}, {15, 6.900}, {20, 6.881}, {25, 6.865}, {30, 6.853}, {35, 6.844}, {40, 6.838},
		{45, 6.834}, {50, 6.833}, {55, 6.833}, {60, 6.836}, {65, 6.840}, {70, 6.845}, {75, 6.852}, {80, 6.859}, {85, 6.867},
		{90, 6.876}, {95, 6.886}},
	Borax: {{0, 9.464}, {5, 9.395}, {10, 9.332}, {15, 9.276}, {20, 9.225}, {25, 9.180}, {30, 9.139}, {35, 9.102}, {40, 9.068},
		{45, 9.038}, {50, 9.010}, {55, 8.985}, {60, 8.962}, {65, 8.941}, {70, 8.921}, {75, 8.902}, {80, 8.884}, {85, 8.867},
		{90, 8.850}, {95, 8.833}},
	Carbonate: {{0, 10.317}, {5, 10.245}, {10, 10.179}, {15, 10.118}, {20, 10.062}, {25, 10.012}, {30, 9.966}, {35, 9.925},
		{40, 9.889}, {45, 9.857}, {50, 9.828}},
}

// BufferPH is the pH of a primary standard at t_degC, read on a straight line between rows 5 K apart.
//
// Source: NIST primary standards (CRC Handbook, read in a transcription). Uncertainty about 0.003 (NBS 1977, abstract);
// revisions of the phthalate differ by up to 0.01 at 0 and 50 degC. Valid from 0 to 95 degC, Carbonate to 50. Errors:
// ErrNotFinite, ErrBelowRange, ErrAboveRange, ErrNoneSuch.
func BufferPH(buffer Buffer, t_degC float64) (pH float64, err error) {
	if buffer == BufferNotStated || int(buffer) >= len(buffers) {
		return 0, fmt.Errorf("pH buffer %d: %w", buffer, ErrNoneSuch)
	}
	return fromTable(buffers[buffer], t_degC)
}

// fromTable reads a table and refuses what is outside it.
func fromTable(table []row, t_degC float64) (float64, error) {
	s := span{name: "temperature", unit: "degC", min: table[0].t, max: table[len(table)-1].t}
	if err := s.refuse(t_degC); err != nil {
		return 0, err
	}
	return lookUp(table, t_degC), nil
}

// ORPStandard is a solution of known redox potential.
type ORPStandard uint8

const (
	ORPStandardNotStated ORPStandard = iota // refused with ErrNoneSuch
	ZoBell                                  // ferrocyanide and ferricyanide, 1/300 mol/L each, in 0.1 mol/L KCl: 428 mV at 25 degC
	QuinhydronePhthalate                    // quinhydrone in the phthalate buffer, pH 4.005: 463 mV
	QuinhydronePhosphate                    // quinhydrone in the phosphate buffer, pH 6.865: 294 mV
)

var (
	zobellTemperature      = span{name: "temperature", unit: "degC", min: 1, max: 30} // the rows of Standard Methods table 2580:I
	quinhydroneTemperature = span{name: "temperature", unit: "degC", min: 20, max: 30}
)

// ORPStandardPotential is the potential of a standard in mV against the standard hydrogen electrode at t_degC.
//
// Source: ZoBell 428 - 2.2 (t - 25) (abstract of a chapter, Taylor and Francis 10.1201/b10505-51), which gives table 2580:I
// of Standard Methods (read in the CRAN package CHNOSZ); other equations differ by up to 8 mV in the cold, so take 10 mV. Quinhydrone 699.8 - 0.736 (t - 25) - slope * pH (from memory),
// 10 mV too. Valid from 1 to 30 degC, quinhydrone from 20. Errors: ErrNotFinite, ErrBelowRange, ErrAboveRange,
// ErrNoneSuch.
func ORPStandardPotential(standard ORPStandard, t_degC float64) (mV_SHE float64, err error) {
	switch standard {
	case ZoBell:
		if err := zobellTemperature.refuse(t_degC); err != nil {
			return 0, err
		}
		return 428 - 2.2*(t_degC-25), nil
	case QuinhydronePhthalate, QuinhydronePhosphate:
		if err := quinhydroneTemperature.refuse(t_degC); err != nil {
			return 0, err
		}
		buffer := Phthalate
		if standard == QuinhydronePhosphate {
			buffer = Phosphate
		}
		pH, err := BufferPH(buffer, t_degC)
		if err != nil {
			return 0, err
		}
		slope, err := NernstSlope(t_degC)
		if err != nil {
			return 0, err
		}
		return 699.8 - 0.736*(t_degC-25) - slope*pH, nil
	default:
		return 0, fmt.Errorf("ORP standard %d: %w", standard, ErrNoneSuch)
	}
}

// Reference is a reference electrode.
type Reference uint8

const (
	ReferenceNotStated Reference = iota // refused with ErrNoneSuch
	StandardHydrogen                    // 0 at every temperature, by definition
	SilverChloride35                    // Ag/AgCl in 3.5 mol/L KCl: 205 mV at 25 degC
	SilverChlorideSat                   // Ag/AgCl in saturated KCl: 199 mV
	CalomelSat                          // Hg/Hg2Cl2 in saturated KCl: 244.4 mV
)

// references are mV against the standard hydrogen electrode as a glossary of electrochemistry gives them (read at
// metaglossary.com, "reference electrode"). Handbooks differ by some 3 mV: 197 to 199 for the second at 25 degC.
var references = [...][]row{
	StandardHydrogen:  {{0, 0}, {100, 0}},
	SilverChloride35:  {{15, 212}, {20, 208}, {25, 205}, {30, 201}, {35, 197}},
	SilverChlorideSat: {{15, 209}, {20, 204}, {25, 199}, {30, 194}, {35, 189}},
	CalomelSat:        {{15, 251.1}, {20, 247.9}, {25, 244.4}, {30, 241.1}, {35, 237.6}},
}

// ReferenceOffset is the potential of a reference electrode in mV against the standard hydrogen electrode at t_degC: what
// is added to a measured ORP to have Eh.
//
// Source: handbook table with rows 5 K apart (read at metaglossary.com); take 5 mV. Valid from 15 to 35 degC,
// StandardHydrogen from 0 to 100. Errors: ErrNotFinite, ErrBelowRange, ErrAboveRange, ErrNoneSuch.
func ReferenceOffset(electrode Reference, t_degC float64) (mV_SHE float64, err error) {
	if electrode == ReferenceNotStated || int(electrode) >= len(references) {
		return 0, fmt.Errorf("reference electrode %d: %w", electrode, ErrNoneSuch)
	}
	return fromTable(references[electrode], t_degC)
}

var redox = span{name: "ORP", unit: "mV", min: -2000, max: 2000} // far outside what water itself leaves standing

// ORPAgainst turns an ORP in mV measured against one reference electrode into that against another, at t_degC. Source,
// range and errors as ReferenceOffset; the ORP from -2000 to 2000 mV.
func ORPAgainst(orp_mV float64, measured, wanted Reference, t_degC float64) (mV float64, err error) {
	from, err := ReferenceOffset(measured, t_degC)
	if err := first(redox.refuse(orp_mV), err); err != nil {
		return 0, err
	}
	to, err := ReferenceOffset(wanted, t_degC)
	if err != nil {
		return 0, err
	}
	return orp_mV + from - to, nil
}
