package reading

// Fault says what became of one request. The zero Fault is NotAsked, so that an empty Read is never an answer.
type Fault uint8

// Faults of a request. Those from a bus that arrives later than plain TCP are named already, so that no state or file moves.
const (
	NotAsked        Fault = iota // never sent
	Answered                     // whole, of the length asked for
	Timeout                      // the station gave no answer in time
	HeldBack                     // not sent: the station has been silent and is asked ever more rarely
	NotConnected                 // not sent: the link is down and is being taken up again
	Refused                      // the network endpoint refuses connections
	Unreachable                  // the network endpoint could not be reached in time
	Closed                       // the link was closed by the other side
	BadFrame                     // an answer that is not Modbus, or not to this request
	BadCRC                       // a damaged frame on a serial line
	OutOfStep                    // an answer that may belong to an earlier request
	AnotherMaster                // somebody else speaks on the line: nothing is sent
	Listening                    // not sent: listening for another master first
	Unplugged                    // the serial adapter is gone
	TLSRefused                   // the secured link was refused by one side
	IllegalFunction              // exception 01
	IllegalAddress               // exception 02: start and length, so one hole refuses the whole request
	IllegalValue                 // exception 03
	DeviceFailure                // exception 04
	LongJob                      // exception 05: accepted, not yet done
	Busy                         // exception 06
	MemoryParity                 // exception 08
	NoPath                       // exception 0A: the gateway has no path to the station
	TargetSilent                 // exception 0B: the gateway lives, the device behind it does not answer
	OtherException               // any other exception code
	NotVouched                   // answered, but the closing check of the segment failed: dropped
	faultCount
)

// FaultCount is the number of faults; a Fault at or above it is not one.
const FaultCount = int(faultCount)

type faultRow struct {
	name   string
	reason Reason
	words  string
}

var faultTable = [FaultCount]faultRow{
	NotAsked:        {"not_asked", Unknown, "not asked yet"},
	Answered:        {"answered", Believed, "answered"},
	Timeout:         {"timeout", Silent, "the station does not answer"},
	HeldBack:        {"held_back", Silent, "the station has been silent and is asked more rarely"},
	NotConnected:    {"not_connected", Silent, "the link is down"},
	Refused:         {"refused", Silent, "the device or gateway refuses the connection"},
	Unreachable:     {"unreachable", Silent, "the device or gateway cannot be reached"},
	Closed:          {"closed", Silent, "the device or gateway closed the connection"},
	BadFrame:        {"bad_frame", Silent, "the answer was not to this question"},
	BadCRC:          {"bad_crc", Silent, "the answer was damaged on the line"},
	OutOfStep:       {"out_of_step", Silent, "answers on the line are out of step"},
	AnotherMaster:   {"another_master", Silent, "another master speaks on this line"},
	Listening:       {"listening", Silent, "listening whether another master speaks"},
	Unplugged:       {"unplugged", Silent, "the serial adapter is unplugged"},
	TLSRefused:      {"tls_refused", Silent, "the secured connection was refused"},
	IllegalFunction: {"illegal_function", RefusedRead, "the device does not know this kind of read (exception 01)"},
	IllegalAddress:  {"illegal_address", RefusedRead, "the device does not have these addresses (exception 02)"},
	IllegalValue:    {"illegal_value", RefusedRead, "the device does not accept this length (exception 03)"},
	DeviceFailure:   {"device_failure", RefusedRead, "the device reports its own failure (exception 04)"},
	LongJob:         {"long_job", RefusedRead, "the device is still working on it (exception 05)"},
	Busy:            {"busy", RefusedRead, "the device is busy (exception 06)"},
	MemoryParity:    {"memory_parity", RefusedRead, "the device reports a memory error (exception 08)"},
	NoPath:          {"no_path", RefusedRead, "the gateway has no path to the station (exception 0A)"},
	TargetSilent:    {"target_silent", Silent, "the gateway answers, the device behind it does not (exception 0B)"},
	OtherException:  {"other_exception", RefusedRead, "the device answers with an unknown exception"},
	NotVouched:      {"not_vouched", Silent, "answered, but the line could not be vouched for"},
}

func (f Fault) row() faultRow {
	if int(f) < FaultCount {
		return faultTable[f]
	}
	return faultTable[NotAsked]
}

func (f Fault) String() string { return f.row().name }

// Words says the fault to a person.
func (f Fault) Words() string { return f.row().words }

// Reason is the reason a point gets when its request ended this way; Believed for Answered.
func (f Fault) Reason() Reason { return f.row().reason }

// ParseFault reads a fault's name.
func ParseFault(s string) (Fault, bool) {
	for i := range faultTable {
		if faultTable[i].name == s {
			return Fault(i), true
		}
	}
	return NotAsked, false
}
