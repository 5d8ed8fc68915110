// Package chem is the chemistry of water and steam: published equations with
// their published range, and nothing outside it. Every function is pure, gives
// the units of what it takes and returns, and answers outside the range of its
// source with a named error, never with an extrapolation.
//
// Owns: water and steam properties by published methods, with source and range.
// Never: state; a value outside the range of its source.
package chem
