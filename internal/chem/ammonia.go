package chem

import (
	"fmt"
	"math"
)

// Limiting molar conductances of ions at 25 degC in S cm2/mol: CRC Handbook, as transcribed in the source of the Python
// package chemicals.
const (
	conductsH   = 349.65
	conductsOH  = 198.0
	conductsNH4 = 73.5
	conductsCl  = 76.31
)

const (
	pKw25       = 13.995  // CRC Handbook, pKw at 0.1 MPa
	pKaAmmonium = 9.245   // Bates and Pinching 1949 (from memory); PHREEQC's database Amm.dat agrees to 0.001 in pH
	density25   = 0.99705 // kg/L, IAPWS-95
	ammonia_ug  = 17.031e6
	chloride_ug = 35.45e6 // ug per mol, IUPAC atomic weights
)

// AmmoniaPHBand is how far a measured pH may be from the one that goes with the conductivity before the two contradict
// each other, where AmmoniaWater.Trusted holds, the cation conductivity is below about 0.3 uS/cm, and the pH is that at 25
// degC (it falls by 0.032 per K). Carbon dioxide alone makes the conductivity promise up to 0.2 too much.
const AmmoniaPHBand = 0.1

var (
	ammoniaContent = span{name: "ammonia", unit: "ug/kg", min: 0, max: 10e3} // as far as it was compared with PHREEQC
	ammoniaTrust   = span{min: 0.3, max: 25}                                 // uS/cm at 25 degC
)

// AmmoniaWater is pure water with ammonia and nothing else, at 25 degC.
type AmmoniaWater struct {
	Ammonia_ug_kg      float64 // as NH3, ionised or not
	PH                 float64
	Conductivity_uS_cm float64 // at 25 degC
	// Trusted: 0.3 to 25 uS/cm. Below, a microgram of anything else decides the pH as much as the ammonia does.
	Trusted bool
}

// WaterWithAmmonia is the pH and the conductivity at 25 degC of water with ammonia_ug_kg of NH3, without carbon dioxide or
// salt.
//
// Source: charge balance with pKw 13.995 (CRC Handbook) and pKa 9.245 (Bates and Pinching, from memory), activity by
// Guentelberg, conductance by Onsager's limiting law. Within 0.002 in pH and 0.25 % in conductivity of PHREEQC with
// Amm.dat; above 0.3 uS/cm the trade's pH = 8.57 + log10 of the conductivity is within 0.012 of it. Valid from 0 to
// 10 000 ug/kg. Errors: ErrNotFinite, ErrBelowRange, ErrAboveRange.
func WaterWithAmmonia(ammonia_ug_kg float64) (AmmoniaWater, error) {
	if err := ammoniaContent.refuse(ammonia_ug_kg); err != nil {
		return AmmoniaWater{}, err
	}
	return withAmmonia(ammonia_ug_kg), nil
}

func withAmmonia(ug_kg float64) AmmoniaWater {
	c := ug_kg / ammonia_ug // mol/kg
	gamma, oh := 1.0, 0.0
	var h, nh4 float64
	// The activity coefficient moves by 1 % at most over the range; each round takes two digits off what is left.
	for range 7 {
		kw := math.Pow(10, -pKw25) / (gamma * gamma)
		kb := math.Pow(10, pKaAmmonium-pKw25) / (gamma * gamma)
		// [NH4+] + [H+] = [OH-] is a cubic in [OH-] with one root above zero, hollow upwards there: Newton from above comes
		// down to it without a step too far. From 10 000 ug/kg it takes a dozen; the last bit may swing, so the count ends it.
		oh = math.Sqrt(kw) + c
		for range 40 {
			p := ((oh+kb)*oh-(kw+c*kb))*oh - kw*kb
			step := p / ((3*oh+2*kb)*oh - (kw + c*kb))
			if oh -= step; math.Abs(step) <= 1e-15*oh {
				break // only the last bit is left; a panel asks for this with every round
			}
		}
		h, nh4 = kw/oh, c*kb/(kb+oh)
		root := math.Sqrt(oh) // of the ionic strength
		gamma = math.Pow(10, -0.509*root/(1+root))
	}
	w := AmmoniaWater{Ammonia_ug_kg: ug_kg, PH: pKw25 + math.Log10(oh*gamma)}
	for _, ion := range [...]struct{ conducts, mol_kg float64 }{{conductsH, h}, {conductsOH, oh}, {conductsNH4, nh4}} {
		w.Conductivity_uS_cm += 1e3 * density25 * onsager(ion.conducts, oh) * ion.mol_kg
	}
	w.Trusted = ammoniaTrust.refuse(w.Conductivity_uS_cm) == nil
	return w
}

// onsager is the molar conductance of an ion of a 1:1 electrolyte at the ionic strength i, 25 degC: Onsager's limiting law
// (constants from memory). Over the range of this file it takes off 0.7 % at most.
func onsager(limit, i float64) float64 { return limit - (60.2+0.2289*limit)*math.Sqrt(i) }

// AmmoniaFromConductivity is WaterWithAmmonia turned round: the ammonia and the pH that go with kappa25_uS_cm, truly at 25
// degC, where only ammonia is fed. For caustic soda the pH would be 0.03 higher, for a usual amine 0.05 (arithmetic from
// the conductances). Valid from 0.0549 uS/cm, pure water, to 25.45, 10 000 ug/kg. Source and errors as there, and
// ErrNotPositive.
func AmmoniaFromConductivity(kappa25_uS_cm float64) (AmmoniaWater, error) {
	return ammoniaWhere("conductivity at 25 degC", "uS/cm", kappa25_uS_cm, func(w AmmoniaWater) float64 { return w.Conductivity_uS_cm })
}

// AmmoniaFromPH is WaterWithAmmonia turned round: the ammonia and the conductivity that go with a pH at 25 degC where only
// ammonia is fed. Valid from 6.9975, pure water, to 9.966, 10 000 ug/kg. Source and errors as there, and ErrNotPositive.
func AmmoniaFromPH(pH25 float64) (AmmoniaWater, error) {
	return ammoniaWhere("pH at 25 degC", "pH", pH25, func(w AmmoniaWater) float64 { return w.PH })
}

// ammoniaWhere finds the water in which of, which grows with the ammonia, is v.
func ammoniaWhere(name, unit string, v float64, of func(AmmoniaWater) float64) (AmmoniaWater, error) {
	low, high := withAmmonia(ammoniaContent.min), withAmmonia(ammoniaContent.max)
	s := span{name: name, unit: unit, min: of(low), max: of(high), positive: true}
	if err := s.refuse(v); err != nil {
		return AmmoniaWater{}, err
	}
	for range 60 { // 10 000 ug/kg halved 60 times is below the last bit
		mid := withAmmonia((low.Ammonia_ug_kg + high.Ammonia_ug_kg) / 2)
		if of(mid) < v {
			low = mid
		} else {
			high = mid
		}
	}
	return high, nil
}

var (
	chlorideTrace      = span{name: "chloride", unit: "ug/kg", min: 0, max: 200} // without a correction for ionic strength: 0.1 % at the end
	cationConductivity = span{name: "cation conductivity at 25 degC", unit: "uS/cm", min: acidConductivity(0), max: acidConductivity(200), positive: true}
)

// CationConductivityFromChloride is the conductivity in uS/cm at 25 degC behind a cation exchanger, which makes
// hydrochloric acid of chloride_ug_kg of chloride in otherwise pure water.
//
// Source: charge balance of a strong acid with pKw 13.995 and limiting conductances of the CRC Handbook. Valid from 0 to 200
// ug/kg. Errors: ErrNotFinite, ErrBelowRange, ErrAboveRange.
func CationConductivityFromChloride(chloride_ug_kg float64) (uS_cm float64, err error) {
	if err := chlorideTrace.refuse(chloride_ug_kg); err != nil {
		return 0, err
	}
	return acidConductivity(chloride_ug_kg), nil
}

func acidConductivity(chloride_ug_kg float64) (uS_cm float64) {
	c := chloride_ug_kg / chloride_ug
	kw := math.Pow(10, -pKw25)
	h := (c + math.Sqrt(c*c+4*kw)) / 2
	return 1e3 * density25 * (conductsH*h + conductsOH*kw/h + conductsCl*c)
}

// ChlorideFromCationConductivity is CationConductivityFromChloride turned round: the chloride in ug/kg that, alone, would
// give the cation conductivity kappa25_uS_cm. Carbon dioxide and organic acids count as chloride here: it is the most there
// can be. Valid from 0.0549, pure water, to 2.397 uS/cm. Source and errors as there, and ErrNotPositive.
func ChlorideFromCationConductivity(kappa25_uS_cm float64) (ug_kg float64, err error) {
	if err := cationConductivity.refuse(kappa25_uS_cm); err != nil {
		return 0, fmt.Errorf("as chloride: %w", err)
	}
	low, high := chlorideTrace.min, chlorideTrace.max
	for range 60 {
		if mid := (low + high) / 2; acidConductivity(mid) < kappa25_uS_cm {
			low = mid
		} else {
			high = mid
		}
	}
	return (low + high) / 2, nil
}
