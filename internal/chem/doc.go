// Package chem is the chemistry of water and steam: published equations with
// their published range, and nothing outside it. Every function is pure, gives
// the units of what it takes and returns, and answers outside the range of its
// source with a named error, never with an extrapolation.
//
// Names end in the unit: t_degC, kappa_uS_cm, pressure_hPa. A pressure is
// absolute unless the name says gauge. Beside each equation stands where it was
// published and where it was read; what was written down from memory says so.
//
// Owns: water and steam properties by published methods, with source and range.
// Never: state; a value outside the range of its source.
package chem
