// Package peertest holds the proof against peers that share no code with this project: the shipped binary runs as a process, an
// independent Modbus server written in C on libmodbus is what it polls, and what it says is read from outside, from /metrics, the
// API, the webhooks it sends and its own commands.
//
// The binary and the server are named by RILLWATCH_BIN and RILLWATCH_PEER. Where one is missing the tests are skipped and say so; with
// CI=true that is a failure.
//
// Owns: the processes of a test, the configuration they run on, and what is believed of their answers.
// Never: imports a room of this project (a mistake made on both sides of a test would cancel), sleeps, or leaves a process behind.
package peertest
