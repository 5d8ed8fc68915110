package crashtest

import (
	"bufio"
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// traced are the calls by which a file's content, length or name can change, or a word leave the process.
const traced = "pwrite64,write,writev,pwritev,pwritev2,fsync,fdatasync,sync_file_range,ftruncate,truncate,fallocate,openat,open,creat,close,dup,dup3,fcntl,lseek," +
	"copy_file_range,sendfile,rename,renameat,renameat2,link,linkat,unlink,unlinkat,mkdir,mkdirat,rmdir"

// step is one edge of one system call: its entry or its return.
type step struct {
	call   int // counts calls
	name   string
	args   []string
	enters bool
	ret    int64  // of a return
	errno  string // of a return; empty when there was none
}

func (s *step) fd(i int) int { n, _ := strconv.Atoi(s.args[i]); return n }

func (s *step) number(i int) int64 {
	n, err := strconv.ParseInt(s.args[i], 0, 64)
	if err != nil {
		panic(fmt.Sprintf("%s: argument %d is %q", s.name, i, s.args[i]))
	}
	return n
}

// text is a string argument; strace writes every byte of it as \xNN.
func (s *step) text(i int) []byte {
	a := s.args[i]
	if len(a) < 2 || a[0] != '"' || a[len(a)-1] != '"' {
		panic(fmt.Sprintf("%s: argument %d is no whole string: %.40s", s.name, i, a))
	}
	a = a[1 : len(a)-1]
	out := make([]byte, 0, len(a)/4)
	for k := 0; k+4 <= len(a); k += 4 {
		out = append(out, unhex(a[k+2])<<4|unhex(a[k+3]))
	}
	return out
}

func unhex(c byte) byte {
	switch {
	case c >= 'a':
		return c - 'a' + 10
	case c >= 'A':
		return c - 'A' + 10
	}
	return c - '0'
}

// strace gives the command that runs a program with its calls recorded, or ends the test. More arguments go to strace.
func strace(t *testing.T, out string, more []string, program ...string) *exec.Cmd {
	t.Helper()
	tool, err := exec.LookPath("strace")
	if err != nil {
		missing(t, "strace is not installed (make tools brings it): no crash image can be built")
	}
	args := append([]string{"-f", "--seccomp-bpf", "-q", "-xx", "-s", "4194304", "-e", "signal=none", "-e", "trace=" + traced, "-o", out}, more...)
	return exec.Command(tool, append(args, program...)...)
}

func missing(t *testing.T, why string) {
	t.Helper()
	if os.Getenv("CI") == "true" {
		t.Fatal(why)
	}
	t.Skip(why)
}

// readTrace reads what strace wrote, as the steps in their order.
func readTrace(t *testing.T, file string) []step {
	t.Helper()
	f, err := os.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }()
	var steps []step
	open := map[string]int{} // pid → index of the entry it has not returned from
	calls := 0
	in := bufio.NewScanner(f)
	in.Buffer(make([]byte, 1<<20), 64<<20)
	for in.Scan() {
		pid, line, ok := strings.Cut(in.Text(), " ")
		line = strings.TrimLeft(line, " ")
		if !ok || strings.HasPrefix(line, "+++") || strings.HasPrefix(line, "---") {
			continue
		}
		if rest, ok := strings.CutPrefix(line, "<... "); ok {
			_, rest, _ = strings.Cut(rest, " resumed>")
			i, known := open[pid]
			if !known {
				continue
			}
			delete(open, pid)
			back := step{call: steps[i].call, name: steps[i].name, args: steps[i].args}
			back.back(rest)
			steps = append(steps, back)
			continue
		}
		name, rest, ok := strings.Cut(line, "(")
		if !ok {
			t.Fatalf("strace says %.200q", line)
		}
		calls++
		enter := step{call: calls, name: name, enters: true}
		if args, ok := strings.CutSuffix(rest, " <unfinished ...>"); ok {
			enter.args = split(args)
			open[pid] = len(steps)
			steps = append(steps, enter)
			continue
		}
		end := returned.FindStringIndex(rest)
		if end == nil {
			t.Fatalf("strace says %.200q", line)
		}
		enter.args = split(rest[:end[0]])
		back := step{call: calls, name: name, args: enter.args}
		back.back(rest[end[0]:])
		steps = append(steps, enter, back)
	}
	if err := in.Err(); err != nil {
		t.Fatal(err)
	}
	return steps
}

// returned is where the arguments end; strace sets the result in a column of its own.
var returned = regexp.MustCompile(`\)\s+= `)

// back reads how a call returned. A call that the process did not outlive says "?".
func (s *step) back(rest string) {
	_, ret, _ := strings.Cut(rest, "= ")
	words := strings.Fields(ret)
	if len(words) == 0 || words[0] == "?" {
		s.ret, s.errno = -1, "GONE"
		return
	}
	n, err := strconv.ParseInt(words[0], 0, 64)
	if err != nil {
		n = -1
	}
	if s.ret = n; n < 0 && len(words) > 1 {
		s.errno = words[1]
	}
}

// split cuts arguments at commas. Strings are in hex, so that no comma or bracket stands in one.
func split(args string) []string {
	args = strings.TrimSuffix(strings.TrimRight(args, " "), ",")
	var out []string
	depth, from := 0, 0
	for i := 0; i < len(args); i++ {
		switch args[i] {
		case '[', '{', '(':
			depth++
		case ']', '}', ')':
			depth--
		case ',':
			if depth == 0 {
				out = append(out, strings.TrimSpace(args[from:i]))
				from = i + 1
			}
		}
	}
	return append(out, strings.TrimSpace(args[from:]))
}

func TestATraceIsReadInItsOrderAcrossThreads(t *testing.T) {
	file := t.TempDir() + "/trace"
	const text = `10 openat(AT_FDCWD, "\x2f\x61", O_RDWR|O_CREAT, 0640) = 5
10 pwrite64(5, "\x68\x69", 2, 4096 <unfinished ...>
11 write(1, "\x74\x6f\x6c\x64", 4) = 4
10 <... pwrite64 resumed>) = 2
10 fdatasync(5)                = -1 EIO (Input/output error) (INJECTED)
10 fdatasync(5 <unfinished ...>) = ?
11 +++ killed by SIGKILL +++
`
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	var said []string
	for _, s := range readTrace(t, file) {
		said = append(said, fmt.Sprint(s.call, s.name, s.enters, s.errno))
	}
	want := "1openattrue 1openatfalse 2pwrite64true 3writetrue 3writefalse 2pwrite64false 4fdatasynctrue 4fdatasyncfalseEIO 5fdatasynctrue 5fdatasyncfalseGONE"
	if got := strings.ReplaceAll(strings.Join(said, "|"), " ", ""); got != strings.ReplaceAll(strings.ReplaceAll(want, " ", "|"), " ", "") {
		t.Errorf("read\n%s\nwant\n%s", got, want)
	}
	for _, s := range readTrace(t, file) {
		if s.name == "pwrite64" && (!bytes.Equal(s.text(1), []byte("hi")) || s.number(3) != 4096) {
			t.Errorf("the write says %q at %d", s.text(1), s.number(3))
		}
	}
}
