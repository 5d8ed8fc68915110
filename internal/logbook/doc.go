// Package logbook keeps the evidence: readings as they were read, judge state, events, excursions and the messages not yet delivered.
// What is committed together is one transaction of one file, logbook.db; readings of full hours move into files beside it.
//
// Owns: logbook.db and the files beside it, their layout and formats; what was made durable and what was not; what is kept for how long.
// Never: tells anybody, judges anything, reads a clock, or holds a read transaction while its caller works.
//
// # Layout
//
// logbook.db is made under another name and linked into place whole, so that it is either absent or complete. All
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
//	files       kind, number            what is in a file beside logbook.db, JSON; what it does not tell of is in no file for anybody
//	moved       ordinal                 how far a boot's readings have left the hot blocks: hour, outcome
//	gaps        what                    readings and events that are not kept any more or cannot be read, and why
//
// The last three are added to a logbook of an older program.
//
// Hours are numbered by boot: hour n ends n+1 hours after the full hour of the wall clock before the boot, as the boot found that clock. When
// nothing more can be committed for an hour it moves:
//
//  1. its readings are packed, a chunk a point, into readings-N.db, under (boot, hour, dictionary id), and synced;
//  2. they are put together, a row for 64 points, in hours-N.db, and synced;
//  3. one transaction of logbook.db notes that in moved and files and deletes the first of its blocks;
//  4. the other blocks go, some hundred at a time.
//
// It may end anywhere and be done again: the same keys are written over, and until step 3 nobody looks at them. From then on the chunk counts,
// whatever is left of the blocks. A reading that comes too late for its hour goes with the next.
//
// A file that covers a week (readings) or a year (hours) is closed: copied without the room it grew into, synced, renamed. What is old or
// more than the budget goes as whole files, with a row in gaps before the file is deleted: deleting inside a file would leave a list of free
// pages that every later commit writes. A file that cannot be read is set aside under a name that says why. Each file has its own
// dictionary and names, and the row of the boot with every hour, so that it can be read where logbook.db is lost.
//
//	format      "version", "book"       1; the nonce of the logbook's first boot
//	dictionary  id                      as in logbook.db, those it needs
//	names       id                      likewise (readings)
//	hours       boot, hour              the boot's row, and the last block it was taken from (readings)
//	chunks      boot, hour, id          chunk (readings)
//	together    boot, hour, id / 64     by id: id, good, uncertain, bad, counted (4 bytes each), minimum, maximum, last and sum of those that
//	                                    counted for limits (8 bytes each, IEEE 754), all big-endian, behind a CRC-32C (hours)
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
// # Chunk, version 2
//
//	version: 1 byte = 2 │ names id: u │ answered: u │ usual reason: u │ up of the first: z │ runs: u │ run … │
//	form: 1 byte │ [faults] │ [reasons] │ [raw] │ CRC-32C of key and all before: 4 bytes
//
// Runs, faults and reasons are as in a block. Form bits 2-4 say how the raws of answered samples are written:
//
//	0 none   1 one for all (z)   2 whole numbers   3, 4 float32 and float64 by their place in order   5, 6 float32 and float64 that are
//	decimals: digits: 1 byte, then whole numbers of the last digit
//
// All but 0 and 1 are differences, wrapping at 64 bits, in zigzag, in bits from the highest: with m the running mean of what was written,
// m ← m + v/16 − m/16 from 1 (in 1/65536), and k the number of bits of 11/16 m, v is v>>k zeros, a one and the k low bits of v; 24 zeros say that
// v follows in 64 bits. Where m is below 0.3 the length n of a run of zeros is written first, in the same code with a mean of its own (from
// 16), m is halved for every eleven of them, and the difference after it, which is none, as v−1 with k = 0. A run at the end has none after it.
//
// # What comes back
//
// Slot, raw, fault and reason come back bit for bit. The moment of a sample comes back on the grid: exactly for the first of a
// run, and for the others as that many slots later; a sample more than one slot off its place starts a new run. Differences
// wrap at 64 bits, so no raw word is too large. A sample that was not answered has no raw and comes back with 0.
package logbook
