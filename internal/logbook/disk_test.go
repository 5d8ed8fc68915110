package logbook

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"
)

// mounted runs a job of this binary in a mount namespace of its own, so that what it mounts is seen by nobody else and gone with it.
// Where the machine does not allow that, covers says what proves the same in part.
func mounted(t *testing.T, job, covers string) []string {
	t.Helper()
	cmd := child(t, job, t.TempDir())
	cmd.SysProcAttr = &syscall.SysProcAttr{Unshareflags: syscall.CLONE_NEWNS}
	if os.Geteuid() != 0 {
		cmd.SysProcAttr.Cloneflags = syscall.CLONE_NEWUSER
		cmd.SysProcAttr.UidMappings = []syscall.SysProcIDMap{{ContainerID: 0, HostID: os.Getuid(), Size: 1}}
	}
	out, err := cmd.Output()
	var ended *exec.ExitError
	if errors.As(err, &ended) && ended.ExitCode() == noMount || errors.Is(err, syscall.EPERM) || errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EINVAL) {
		if os.Getenv("CI") == "true" && mayMount() {
			t.Fatalf("may mount, and cannot: %v", err)
		}
		t.Skipf("this machine lets us mount nothing (%v); covered in part by %s", err, covers)
	}
	if err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	return strings.Split(strings.TrimSpace(string(out)), "\n")
}

// mayMount tells whether this process holds the right to mount, CAP_SYS_ADMIN, number 21 (capabilities(7)). A machine that withholds it is no
// machine that lacks a tool.
func mayMount() bool {
	raw, err := os.ReadFile("/proc/self/status")
	if err != nil {
		return false
	}
	for _, l := range strings.Split(string(raw), "\n") {
		if held, ok := strings.CutPrefix(l, "CapEff:"); ok {
			bits, err := strconv.ParseUint(strings.TrimSpace(held), 16, 64)
			return err == nil && bits>>21&1 == 1
		}
	}
	return false
}

// noMount is how a job ends that may not mount.
const noMount = 77

func mount(dir, options string) {
	err := syscall.Mount("none", "/", "", syscall.MS_REC|syscall.MS_PRIVATE, "")
	if err == nil {
		err = syscall.Mount("tmpfs", dir, "tmpfs", 0, options)
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, "mount:", err)
		os.Exit(noMount)
	}
}

// fill writes a file until the disk has no room.
func fill(path string) {
	f, err := os.Create(path)
	must(err)
	block := make([]byte, 1<<16)
	for size := len(block); size > 0; {
		n, err := f.Write(block[:size])
		if err != nil && !errors.Is(err, syscall.ENOSPC) {
			must(err)
		}
		if err != nil || n < size {
			size /= 2
		}
	}
	must(f.Close())
}

// big is a commit whose message is longer than a page, so that it needs new pages.
func big(seq uint64) Commit {
	c := full("00000001", seq)
	c.Outbox[0].Body = make([]byte, 5000)
	return c
}

// childFillsADisk goes through a full disk: readings are refused by name, events go into the reserve, and when there is room again all goes
// on as before, in the same process.
func childFillsADisk(dir string) {
	mount(dir, "size=24m")
	b, err := Open(filepath.Join(dir, "book"), time.Second)
	must(err)
	must(b.Begin(BootRow{Nonce: "00000001"}, larkfield()))
	must(b.Commit(full("00000001", 1)))
	fill(filepath.Join(dir, "other"))
	seq, refused := uint64(1), 0
	for range 400 { // some MB of readings and messages: what was free within the file is soon used
		seq++
		err := b.Commit(big(seq))
		if err == nil {
			continue
		}
		if !errors.Is(err, ErrFull) {
			fmt.Println("with samples:", err)
		}
		refused++
		c := big(seq)
		c.Samples = nil
		if err := b.Commit(c); err != nil {
			fmt.Println("without samples:", seq, err)
		}
	}
	fmt.Println("refused", refused > 0, "kept", seq)
	must(b.Close())
	b, err = Open(filepath.Join(dir, "book"), time.Second) // a start on a full disk
	must(err)
	must(b.Begin(BootRow{Nonce: "00000002"}, larkfield()))
	c := full("00000002", 1)
	c.Samples = nil
	fmt.Println("after a start:", b.Commit(c))
	must(os.Remove(filepath.Join(dir, "other")))
	fmt.Println("room again:", b.Commit(full("00000002", 2)))
	must(b.Close())
	r, err := Check(filepath.Join(dir, "book"))
	must(err)
	fmt.Println("events", r.Events, "findings", r.Findings)
}

func TestAFullDiskTakesEventsIntoItsReserveAndRecoversWithoutARestart(t *testing.T) {
	got := mounted(t, "mounted", "TestAFullDiskFailsCommitsAndNothingElse, by a bound on the size of files")
	want := []string{"refused true kept 401", "after a start: <nil>", "room again: <nil>", "events 403 findings []"}
	if strings.Join(got, "\n") != strings.Join(want, "\n") {
		t.Errorf("the child says\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}

// childOpensReadOnly opens a logbook on a file system that takes no writes, and one that stops taking them under a running book.
func childOpensReadOnly(dir string) {
	mount(dir, "size=8m")
	book := filepath.Join(dir, "book")
	b, err := Open(book, time.Second)
	must(err)
	must(b.Begin(BootRow{Nonce: "00000001"}, larkfield()))
	must(b.Commit(full("00000001", 1)))
	must(b.Close())
	must(syscall.Mount("none", dir, "", syscall.MS_REMOUNT|syscall.MS_RDONLY, ""))
	_, err = Open(book, time.Second)
	fmt.Println("open:", errors.Is(err, ErrReadOnlySystem), err)
	_, err = Open(filepath.Join(dir, "other"), time.Second)
	fmt.Println("make:", errors.Is(err, ErrReadOnlySystem), err)
	r, err := Check(book)
	fmt.Println("check:", len(r.Findings), err)
}

func TestAReadOnlyFileSystemIsNamedAndACheckStillLooks(t *testing.T) {
	got := mounted(t, "read-only", "TestWhatCannotBeOpenedIsNamedAndExplained, by the error alone")
	if len(got) != 3 || !strings.HasPrefix(got[0], "open: true ") || !strings.HasPrefix(got[1], "make: true ") || got[2] != "check: 0 <nil>" {
		t.Errorf("the child says\n%s", strings.Join(got, "\n"))
	}
	for _, line := range got[:min(2, len(got))] {
		if !strings.Contains(line, "mount it for writing") {
			t.Errorf("%q does not say what to do", line)
		}
	}
}
