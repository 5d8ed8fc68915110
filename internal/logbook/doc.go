// Package logbook keeps the evidence: readings as they were read, judge state, events, excursions and the messages not yet
// delivered, in one bbolt file, with one transaction per commit.
//
// Owns: logbook.db, its layout and its block format; what was made durable and what was not.
// Never: tells anybody, judges anything, reads a clock, or holds a read transaction while its caller works.
//
// # Layout
//
// One file, logbook.db, made under another name and linked into place whole, so that it is either absent or complete. All
// numbers in keys are big-endian, so that keys sort as numbers. Every value but the block starts with the CRC-32C of its
// key (in the queues: recipient and key) and the rest; the block ends with it. bbolt itself guards its two meta pages and
// nothing else.
//
//	format      "version"               1; a file with a higher number is refused, never guessed at
//	boots       ordinal                 nonce, wall clock at Up = 0 and whether it was certain, configuration hash, program
//	nonces      nonce                   ordinal
//	now         "last"                  boot, outcome, clocks of the last commit. One small row: bbolt keeps it inside the root
//	                                    page, which every commit writes anyway
//	dictionary  id                      path, type, order, scale, offset, invert, no-value words, unit, resolution, slot, every
//	names       id                      the names of all reasons and faults, by number
//	hot         ordinal, outcome        block: the samples of one commit
//	state       "." panel               judge state of one panel, "." that of the site
//	events      ordinal, sequence       event, JSON
//	excursions  ordinal, sequence, id   the latest record of one excursion, JSON
//	outbox      recipient → number      message not yet delivered; the number only grows
//	deliveries  recipient → number      what became of a message
//
// Rows of the dictionary and of the names are never changed: when a map changes, a point gets another id. So an old block reads
// as it was written. A block is keyed by sequence and not by date: when a box that booted in 1970 learns the time, its row in
// boots is put right and every stamp with it.
//
// # Block, version 1
//
// u: unsigned varint. z: zigzag varint. One block per commit. Points asked in the same slots share one group.
//
//	┌─────────────────────────────────────────────────────────────────────────────────────────────┐
//	│ version: 1 byte = 1 │ names id: u │ answered: u │ usual reason: u │ certain: 1 byte │        │
//	│ wall ns: z │ up ns: z │ groups: u │ group … │ CRC-32C of key and all before: 4 bytes         │
//	├─ group ─────────────────────────────────────────────────────────────────────────────────────┤
//	│ runs: u │ run … │ columns: u │ column …                                                     │
//	├─ run: samples on the poll grid ─────────────────────────────────────────────────────────────┤
//	│ start − slot after the run before: z │ stride: u │ count: u │ up of the first − block up: z  │
//	├─ column: one point over all runs of its group ──────────────────────────────────────────────┤
//	│ dictionary id − id before in the group: u │ form: 1 byte │ [faults] │ [reasons] │ raw …      │
//	│   form bit 0: faults are listed, else all samples are "answered"                            │
//	│   form bit 1: reasons are listed, else all samples have the usual reason                    │
//	│   form bits 2-4: 0 no raw, 1 one raw for all (z), 2 first raw and differences (z each),     │
//	│                  3 four bytes each, 4 eight bytes each, both big-endian                     │
//	│   faults, reasons: (number: u, how many: u) until all samples are named                     │
//	│   only answered samples have a raw                                                          │
//	└─────────────────────────────────────────────────────────────────────────────────────────────┘
//
// Slot, raw, fault and reason come back bit for bit. The moment of a sample comes back on the grid: exactly for the first of a
// run, and for the others as that many slots later; a sample more than one slot off its place starts a new run. Differences
// wrap at 64 bits, so no raw word is too large. A sample that was not answered has no raw and comes back with 0.
package logbook
