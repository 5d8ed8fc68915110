// Package peertest holds the proof against peers that share no code with this project: the shipped binary runs as a process, what it polls
// is an independent Modbus server, one written in C on libmodbus and one in Python on pymodbus, over TCP and over ptys, and what it says
// is read from outside, from /metrics, the API, the webhooks it sends and its own commands. On a pty a relay may stand between, which
// delays, doubles and drops answers and records every request. All the while the frames on loopback are captured, and at the end an
// independent dissector says that not one of them was a write.
//
// The binary and the servers are named by RILLWATCH_BIN, RILLWATCH_PEER and RILLWATCH_PYMODBUS. Where one is missing the tests are skipped
// and say so; with CI=true that is a failure.
//
// Owns: the processes of a test, the configuration they run on, and what is believed of their answers.
// Never: imports a room of this project (a mistake made on both sides of a test would cancel), sleeps, or leaves a process behind.
package peertest
