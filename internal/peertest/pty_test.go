package peertest

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// pty is a pair of ends of a serial line that is no hardware. What it cannot show: pace, parity, framing, and the turning of an RS-485
// driver.
type pty struct {
	master *os.File
	slave  *os.File // kept open, so that the line lives on while nobody else has it
	path   string   // of the slave
}

// openPTY makes a raw pair.
func openPTY(t *testing.T) *pty {
	t.Helper()
	master, err := os.OpenFile("/dev/ptmx", os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	var n int
	control(t, master, func(fd int) error {
		if err := unix.IoctlSetPointerInt(fd, unix.TIOCSPTLCK, 0); err != nil {
			return err
		}
		n, err = unix.IoctlGetInt(fd, unix.TIOCGPTN)
		return err
	})
	p := &pty{master: master, path: "/dev/pts/" + strconv.Itoa(n)}
	if p.slave, err = os.OpenFile(p.path, os.O_RDWR|unix.O_NOCTTY, 0); err != nil {
		t.Fatal(err)
	}
	control(t, p.slave, func(fd int) error {
		tio, err := unix.IoctlGetTermios(fd, unix.TCGETS)
		if err != nil {
			return err
		}
		// No echo, no lines, no signals, no translation: a new pty is a terminal.
		tio.Iflag, tio.Oflag, tio.Lflag = 0, 0, 0
		tio.Cflag = unix.CS8 | unix.CREAD | unix.CLOCAL | unix.B115200
		tio.Cc[unix.VMIN], tio.Cc[unix.VTIME] = 1, 0
		return unix.IoctlSetTermios(fd, unix.TCSETS, tio)
	})
	return p
}

// control does something with a descriptor and leaves it to the runtime's poller; File.Fd would make it blocking.
func control(t *testing.T, f *os.File, do func(fd int) error) {
	t.Helper()
	raw, err := f.SyscallConn()
	if err == nil {
		if e := raw.Control(func(fd uintptr) { err = do(int(fd)) }); e != nil {
			err = e
		}
	}
	if err != nil {
		t.Fatalf("%s: %v", f.Name(), err)
	}
}

// close hangs the line up for everybody.
func (p *pty) close() {
	_ = p.slave.Close()
	_ = p.master.Close()
}

// startSocat joins two ptys with socat and gives their names.
func startSocat(t *testing.T) (ours, theirs string) {
	t.Helper()
	program, err := exec.LookPath("socat")
	if err != nil {
		lack(t, "socat is not on PATH; make tools installs it")
	}
	dir := t.TempDir()
	ours, theirs = filepath.Join(dir, "ours"), filepath.Join(dir, "theirs")
	cmd := exec.Command(program, "pty,raw,echo=0,link="+ours, "pty,raw,echo=0,link="+theirs)
	var said tail
	cmd.Stderr = &said
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = cmd.Process.Signal(unix.SIGTERM)
		kill := time.AfterFunc(stopWait, func() { _ = cmd.Process.Kill() })
		defer kill.Stop()
		_ = cmd.Wait() // by the signal, or because one side hung up before
		if t.Failed() {
			t.Logf("socat said: %s", said.String())
		}
	})
	until(t, "the ptys of socat", patience, func() (bool, string) {
		for _, name := range []string{ours, theirs} {
			if _, err := os.Stat(name); err != nil {
				return false, fmt.Sprintf("%v; socat said: %s", err, said.String())
			}
		}
		return true, ""
	})
	return ours, theirs
}

// lack ends a test for which something is missing: skipped, and failed where CI=true.
func lack(t *testing.T, why string) {
	t.Helper()
	if os.Getenv("CI") == "true" {
		t.Fatal(why)
	}
	t.Skip(why)
}

// secondServer gives the program of the server on pymodbus, or ends the test.
func secondServer(t *testing.T) string {
	t.Helper()
	program := os.Getenv("RILLWATCH_PYMODBUS")
	if program == "" {
		lack(t, "not set: RILLWATCH_PYMODBUS (testdata/peer/pymodbus_server.py, where python3-pymodbus 3.0 is installed); make peers sets it")
	}
	return program
}
