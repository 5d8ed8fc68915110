package peertest

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

// While the tests run, every frame on loopback is captured, and afterwards an independent dissector says what the program asked of the servers:
// reads, and never a write. It shares no code with the program and none with the servers, which count for themselves. RTU over a pty is on no
// network: there the servers count, and the relay reads every byte of the master (readsOnly).

// capture is one capture of the whole run.
type capture struct {
	file string
	cmd  *exec.Cmd
	said *bufio.Reader
	why  string // why there is none

	mu    sync.Mutex  // servers end while others begin
	ports map[int]int // of the TCP servers: what each counted at its end
}

var wire = capture{ports: map[int]int{}}

// functions by which a Modbus client changes something: coils, registers, files, masks (Modbus Application Protocol V1.1b3, 6).
var writing = map[int]bool{5: true, 6: true, 15: true, 16: true, 21: true, 22: true, 23: true}

// captureSnap is more than the longest request, 260 bytes, with the heads of Ethernet, IP and TCP.
const captureSnap = 400

// TestMain captures the whole run.
func TestMain(m *testing.M) {
	os.Exit(captured(m))
}

func captured(m *testing.M) int {
	dir, err := os.MkdirTemp("", "capture")
	if err != nil {
		fmt.Println("capture:", err)
		return 1
	}
	defer os.RemoveAll(dir)
	if err := wire.start(dir); err != nil {
		wire.why = err.Error()
	}
	code := m.Run()
	if wire.why != "" {
		return code // TestTheWholeRunIsCaptured has said so
	}
	if err := wire.judge(); err != nil {
		fmt.Println("FAIL: the frames of the whole run:", err)
		return 1
	}
	return code
}

// TestTheWholeRunIsCaptured says why there is no capture, where there is none. What was captured is judged when all tests have ended.
func TestTheWholeRunIsCaptured(t *testing.T) {
	if os.Getenv("RILLWATCH_BIN") == "" {
		lack(t, "not set: RILLWATCH_BIN; make peers sets it")
	}
	if wire.why != "" {
		lack(t, "frames are not captured: "+wire.why)
	}
}

func (c *capture) start(dir string) error {
	for _, program := range []string{"dumpcap", "tshark"} {
		if _, err := exec.LookPath(program); err != nil {
			return fmt.Errorf("%s is not on PATH (Debian: tshark); make tools installs it", program)
		}
	}
	c.file = filepath.Join(dir, "frames.pcapng")
	c.cmd = exec.Command("dumpcap", "-q", "-i", "lo", "-f", "tcp", "-s", strconv.Itoa(captureSnap), "-B", "64", "-w", c.file) // 64 MB of buffer, so that a busy machine drops nothing
	pipe, err := c.cmd.StderrPipe()
	if err != nil {
		return err
	}
	if err := c.cmd.Start(); err != nil {
		return err
	}
	c.said = bufio.NewReader(pipe)
	late := time.AfterFunc(patience, func() { _ = c.cmd.Process.Kill() })
	defer late.Stop()
	var all strings.Builder
	for { // it names its file when it captures
		line, err := c.said.ReadString('\n')
		all.WriteString(line)
		if err != nil {
			return fmt.Errorf("dumpcap does not capture on lo (it wants root, or the right to capture): %s", strings.Join(strings.Fields(all.String()), " "))
		}
		if strings.HasPrefix(line, "File:") {
			return nil
		}
	}
}

// served notes a TCP server, and what it counted.
func (c *capture) served(port, requests int) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.ports[port] = requests
}

// judge ends the capture and reads it.
func (c *capture) judge() error {
	control, err := c.control()
	if err != nil {
		return err
	}
	if err := c.cmd.Process.Signal(syscall.SIGINT); err != nil {
		return err
	}
	rest, _ := io.ReadAll(c.said)
	if err := c.cmd.Wait(); err != nil {
		return fmt.Errorf("dumpcap: %w: %s", err, rest)
	}
	if !bytes.Contains(rest, []byte("/0 (")) { // "Packets received/dropped on interface 'Loopback: lo': 1234/0 (pcap:0/dumpcap:0/flushed:0/ps_ifdrop:0) (100.0%)"
		return fmt.Errorf("frames were lost, so the capture proves nothing: %s", rest)
	}
	args := []string{"-n", "-r", c.file, "-Y", "mbtcp", "-T", "fields", "-e", "tcp.dstport", "-e", "modbus.func_code"}
	for port := range c.ports {
		args = append(args, "-d", fmt.Sprintf("tcp.port==%d,mbtcp", port))
	}
	args = append(args, "-d", fmt.Sprintf("tcp.port==%d,mbtcp", control))
	var talk bytes.Buffer
	dissect := exec.Command("tshark", args...)
	dissect.Stderr = &talk
	out, err := dissect.Output()
	if err != nil {
		return fmt.Errorf("tshark: %w: %s", err, talk.String())
	}
	return c.read(control, string(out))
}

// read counts the functions of the requests to each server.
func (c *capture) read(control int, fields string) error {
	asked := map[int]int{} // by port
	var errs []error
	reads, controls := 0, 0
	for line := range strings.Lines(fields) {
		to, functions, _ := strings.Cut(strings.TrimSpace(line), "\t")
		port, err := strconv.Atoi(to)
		if err != nil {
			return fmt.Errorf("tshark said %q", line)
		}
		if _, server := c.ports[port]; !server && port != control {
			continue // an answer
		}
		for f := range strings.SplitSeq(functions, ",") { // of every request in the frame
			n, err := strconv.Atoi(f)
			switch {
			case err != nil:
				return fmt.Errorf("tshark said %q", line)
			case port == control && writing[n]:
				controls++
			case port == control:
			case writing[n], n < 1 || n > 4:
				errs = append(errs, fmt.Errorf("function %d left for the server on port %d", n, port))
			default:
				asked[port]++
				reads++
			}
		}
	}
	if controls != 1 {
		errs = append(errs, fmt.Errorf("the write that was sent to see whether writes are seen was seen %d times", controls))
	}
	for port, counted := range c.ports {
		if asked[port] < counted {
			errs = append(errs, fmt.Errorf("the server on port %d counted %d requests, and %d were captured", port, counted, asked[port]))
		}
	}
	if len(c.ports) > 0 && reads == 0 {
		errs = append(errs, errors.New("not one read was captured"))
	}
	if len(errs) > 0 {
		return errors.Join(errs[:min(len(errs), 20)]...)
	}
	fmt.Printf("figure: frames of the whole run: %d reads of %d servers over TCP, 0 writes (and the 1 that was sent to see that writes are seen)\n", reads, len(c.ports))
	return nil
}

// control sends one write to a port of its own and waits until it stands in the file: a capture that sees no write anywhere proves nothing,
// and what was sent before it is in the file too.
func (c *capture) control() (port int, err error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return 0, err
	}
	defer l.Close()
	conn, err := net.Dial("tcp", l.Addr().String())
	if err != nil {
		return 0, err
	}
	defer conn.Close()
	frame := []byte{0xC0, 0xDE, 0, 0, 0, 6, 0xF7, 5, 0xBE, 0xEF, 0xFF, 0} // coil 48879 of station 247 on
	if _, err := conn.Write(frame); err != nil {
		return 0, err
	}
	deadline := time.NewTimer(patience)
	defer deadline.Stop()
	again := time.NewTicker(pollEvery)
	defer again.Stop()
	for {
		raw, err := os.ReadFile(c.file)
		if err != nil {
			return 0, err
		}
		if bytes.Contains(raw, frame) {
			return l.Addr().(*net.TCPAddr).Port, nil
		}
		select {
		case <-deadline.C:
			return 0, errors.New("what is sent over loopback does not reach the file")
		case <-again.C:
		}
	}
}
