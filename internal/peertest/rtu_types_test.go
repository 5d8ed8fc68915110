package peertest

import (
	"strings"
	"testing"
)

// lineBus is a bus on a serial line. A pty keeps no parity and has no pace; the fast rate only keeps the computed timeouts short.
const lineBus = `[bus.panel-net]
link = "rtu://LINE"
baud = 115200
parity = "none"
stop_bits = 1
sole_master = true
listen = "1s"
`

// overLine is the site of the types on a serial line, with room beside its registers. The timeout is one that a server in Python keeps on a
// busy machine.
func overLine(line string) string {
	before, after, ok := strings.Cut(typesSite, "[bus.panel-net]\nlink = \"PEER\"\ntimeout = \"150ms\"\n")
	if !ok {
		panic("the site of the types has another bus now")
	}
	return before + strings.Replace(lineBus, "LINE", line, 1) + "timeout = \"900ms\"\n" + after
}

func TestEveryTypeOverALineAsLibmodbusWasGiven(t *testing.T) {
	binary, program := tools(t)
	t.Parallel()
	ours, theirs := startSocat(t)
	readsAsGiven(t, binary, startServer(t, program, "serial", theirs, "115200", "E"), overLine(ours), "1s")
}

// Parity N: pyserial refuses a parity that the device did not take, and a pty takes none.
func TestEveryTypeOverALineAsPymodbusWasGiven(t *testing.T) {
	binary, _ := tools(t)
	program := secondServer(t)
	t.Parallel()
	ours, theirs := startSocat(t)
	readsAsGiven(t, binary, startServer(t, program, "serial", theirs, "115200", "N"), overLine(ours), "1s")
}

func TestEveryTypeOverTCPAsPymodbusWasGiven(t *testing.T) {
	binary, _ := tools(t)
	program := secondServer(t)
	t.Parallel()
	readsAsGiven(t, binary, startServer(t, program, "0"), typesSite, "200ms")
}
