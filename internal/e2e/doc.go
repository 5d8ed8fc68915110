// Package e2e drives the shipped binary as a person, a supervisor and a scraper would.
//
// Owns: what the whole program promises to those outside it.
// Never: imports a room of the project, or looks inside the process.
package e2e
