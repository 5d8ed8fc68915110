// Package arch holds the rules of the house as tests, each with its reason.
//
// Owns: which room may import which, what the core may not use, what every package must say of itself.
// Never: ships; it has no code but its tests.
package arch
