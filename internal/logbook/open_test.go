package logbook

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	bolt "go.etcd.io/bbolt"
)

func TestOpeningMakesTheDirectoryAndTheFileForTheDaemonsGroup(t *testing.T) {
	before := syscall.Umask(0)
	defer syscall.Umask(before)
	dir := filepath.Join(t.TempDir(), "a", "b")
	open(t, dir)
	for path, want := range map[string]os.FileMode{dir: 0o750 | os.ModeDir, filepath.Join(dir, fileName): 0o640} {
		info, err := os.Stat(path)
		if err != nil || info.Mode() != want {
			t.Errorf("%s: %v, %v; want %v", path, info.Mode(), err, want)
		}
	}
	names, err := os.ReadDir(dir)
	if err != nil || len(names) != 1 {
		t.Errorf("the directory holds %v, %v; want the logbook alone", names, err)
	}
}

func TestASecondProcessIsRefusedByName(t *testing.T) {
	dir := t.TempDir()
	open(t, dir)
	if _, err := Open(dir, 0); !errors.Is(err, ErrInUse) {
		t.Errorf("a second opener here: %v, want ErrInUse", err)
	}
	if _, err := Check(dir); !errors.Is(err, ErrInUse) {
		t.Errorf("a check beside the daemon: %v, want ErrInUse", err)
	}
	if _, err := DumpState(dir); !errors.Is(err, ErrInUse) {
		t.Errorf("a dump beside the daemon: %v, want ErrInUse", err)
	}
	out, err := child(t, "open", dir).Output()
	if want := "error " + ErrInUse.Error(); err != nil || !strings.HasPrefix(string(out), want) {
		t.Errorf("the second process says %q, %v; want %q", out, err, want)
	}
}

// Two services are started at once, and neither finds a logbook yet.
func TestAFileHalfMadeByAnotherIsNotOurs(t *testing.T) {
	dir := t.TempDir()
	db, err := bolt.Open(filepath.Join(dir, newName), 0o640, nil)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := Open(dir, 0); !errors.Is(err, ErrInUse) {
		t.Errorf("while another makes it: %v, want ErrInUse", err)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, newName), []byte("the power failed while this was made"), 0o640); err != nil {
		t.Fatal(err)
	}
	open(t, dir)
}

func TestWhatCannotBeOpenedIsNamedAndExplained(t *testing.T) {
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, nil, 0o640); err != nil {
		t.Fatal(err)
	}
	for _, dir := range []string{file, filepath.Join(file, "below")} {
		if _, err := Open(dir, 0); !errors.Is(err, ErrNotADirectory) {
			t.Errorf("%s: %v, want ErrNotADirectory", dir, err)
		}
	}
	if _, err := Check(t.TempDir()); !errors.Is(err, ErrNotThere) {
		t.Errorf("check of an empty directory: %v, want ErrNotThere", err)
	}
	if _, err := DumpState(t.TempDir()); !errors.Is(err, ErrNotThere) {
		t.Errorf("dump of an empty directory: %v, want ErrNotThere", err)
	}
	if err := explain("x", syscall.EROFS); !errors.Is(err, ErrReadOnlySystem) {
		t.Errorf("read-only file system: %v, want ErrReadOnlySystem", err)
	}
}

// The daemon runs as its own user; the directory was made by root.
func TestAUserWithoutPermissionIsToldSo(t *testing.T) {
	dir, err := os.MkdirTemp("", "logbook") // t.TempDir may not be entered by others
	if err != nil {
		t.Fatal(err)
	}
	defer os.RemoveAll(dir)
	theirs := filepath.Join(dir, "theirs")
	for path, mode := range map[string]os.FileMode{dir: 0o755, theirs: 0o555} {
		if err := errors.Join(os.MkdirAll(path, mode), os.Chmod(path, mode)); err != nil {
			t.Fatal(err)
		}
	}
	says := func(path string) string {
		cmd := child(t, "open", path)
		if os.Geteuid() == 0 { // root passes every permission: become nobody
			exe := filepath.Join(dir, "child")
			copyFile(t, cmd.Path, exe)
			if err := os.Chmod(exe, 0o755); err != nil {
				t.Fatal(err)
			}
			cmd.Path = exe
			cmd.Dir = dir
			cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: 65534, Gid: 65534}}
		}
		out, err := cmd.Output()
		if err != nil {
			t.Fatal(err)
		}
		return string(out)
	}
	if out := says(theirs); !strings.HasPrefix(out, "error "+ErrNoAccess.Error()) {
		t.Errorf("a directory that may not be written: %q, want %q", out, ErrNoAccess)
	}
	made := filepath.Join(dir, "made")
	b, err := Open(made, 0)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(b.Close(), os.Chmod(made, 0o555), os.Chmod(filepath.Join(made, fileName), 0o444)); err != nil {
		t.Fatal(err)
	}
	if out := says(made); !strings.HasPrefix(out, "error "+ErrNoAccess.Error()) {
		t.Errorf("a file that may not be written: %q, want %q", out, ErrNoAccess)
	}
}

func TestABookOfANewerProgramIsRefused(t *testing.T) {
	dir := t.TempDir()
	b, err := Open(dir, 0)
	if err != nil {
		t.Fatal(err)
	}
	err = b.db.Update(func(tx *bolt.Tx) error {
		return errors.Join(tx.Bucket(bucketFormat).Put(keyVersion, seal(keyVersion, key32(version+1))), tx.DeleteBucket(bucketHot))
	})
	if err := errors.Join(err, b.Close()); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(dir, 0); !errors.Is(err, ErrVersion) {
		t.Errorf("open: %v, want ErrVersion", err)
	}
	if _, err := DumpState(dir); !errors.Is(err, ErrVersion) {
		t.Errorf("dump: %v, want ErrVersion", err)
	}
	r, err := Check(dir)
	if err != nil || len(r.Findings) != 1 || !strings.Contains(r.Findings[0], ErrVersion.Error()) {
		t.Errorf("check finds %q, %v", r.Findings, err)
	}
}

func TestADatabaseThatIsNoLogbookIsRefused(t *testing.T) {
	dir := t.TempDir()
	db, err := bolt.Open(filepath.Join(dir, fileName), 0o640, nil)
	if err != nil {
		t.Fatal(err)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(dir, 0); !errors.Is(err, ErrDamaged) {
		t.Errorf("%v, want ErrDamaged", err)
	}
}

// written makes a book with a little of everything, closed.
func written(t *testing.T) (path string, content []byte) {
	t.Helper()
	dir := t.TempDir()
	b, err := Open(dir, 0)
	if err != nil {
		t.Fatal(err)
	}
	begin(t, b, "00000001")
	for seq := uint64(1); seq <= 60; seq++ {
		commit(t, b, full("00000001", seq))
		if seq%3 == 0 {
			if err := b.End("duty", seq/3, "delivered", stamp(0), ""); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := b.Close(); err != nil {
		t.Fatal(err)
	}
	path = filepath.Join(dir, fileName)
	content, err = os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return path, content
}

func TestATruncatedFileIsReportedAndLeftAsItIs(t *testing.T) {
	path, whole := written(t)
	dir := filepath.Dir(path)
	m, err := newestMeta(bytes.NewReader(whole))
	if err != nil {
		t.Fatal(err)
	}
	used := int(m.pages * m.pageSize)
	if err := os.WriteFile(path, whole[:used], 0o640); err != nil {
		t.Fatal(err)
	}
	mustBeSound(t, dir) // what lies behind the last page in use is only room
	for _, size := range []int{0, 1, 4095, 4096, 8192, 12288, used / 2, used - 4096, used - 1} {
		if err := os.WriteFile(path, whole[:size], 0o640); err != nil {
			t.Fatal(err)
		}
		if _, err := Open(dir, 0); !errors.Is(err, ErrDamaged) {
			t.Errorf("open of %d bytes: %v, want ErrDamaged", size, err)
		}
		if _, err := DumpState(dir); !errors.Is(err, ErrDamaged) {
			t.Errorf("dump of %d bytes: %v, want ErrDamaged", size, err)
		}
		if r, err := Check(dir); err != nil || len(r.Findings) == 0 {
			t.Errorf("check of %d bytes: %v, %v; want findings", size, r.Findings, err)
		}
		if after, err := os.ReadFile(path); err != nil || !bytes.Equal(after, whole[:size]) {
			t.Errorf("%d bytes are no longer as they were, %v", size, err)
		}
	}
}

// content is every row there is, as text. Numbers of queues and empty buckets are not rows.
func content(t *testing.T, dir string) string {
	t.Helper()
	var s strings.Builder
	var dump func(path string, b *bolt.Bucket) error
	dump = func(path string, b *bolt.Bucket) error {
		return b.ForEach(func(k, v []byte) error {
			if v == nil {
				return dump(fmt.Sprintf("%s/%s", path, k), b.Bucket(k))
			}
			fmt.Fprintf(&s, "%s/%x = %x\n", path, k, v)
			return nil
		})
	}
	err := withFile(dir, func(path string, _ *os.File) error {
		return viewFile(path, func(tx *bolt.Tx) error {
			return tx.ForEach(func(name []byte, b *bolt.Bucket) error { return dump(string(name), b) })
		})
	})
	if err != nil {
		t.Fatal(err)
	}
	return s.String()
}

// Flash forgets a bit here and there. Either the check finds it or it changed nothing that was written; and neither the check nor
// the daemon dies of it.
func TestAFlippedBitIsFoundOrHarmless(t *testing.T) {
	path, whole := written(t)
	dir := filepath.Dir(path)
	want := content(t, dir)
	m, err := newestMeta(bytes.NewReader(whole))
	if err != nil {
		t.Fatal(err)
	}
	used := int(m.pages * m.pageSize)
	const flips = 600
	found, harmless, refused := 0, 0, 0
	rng := rand.New(rand.NewPCG(20260702, 1))
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for range flips {
		at, bit := rng.IntN(used), byte(1)<<rng.IntN(8)
		if rng.IntN(2) == 0 { // every second one in the head of a page, where it hurts
			at = at/4096*4096 + rng.IntN(200)
		}
		if _, err := f.WriteAt([]byte{whole[at] ^ bit}, int64(at)); err != nil {
			t.Fatal(err)
		}
		r, err := Check(dir)
		if err != nil {
			t.Fatalf("byte %d bit %#x: %v", at, bit, err)
		}
		if len(r.Findings) > 0 {
			found++
		} else {
			harmless++
			if got := content(t, dir); got != want {
				t.Errorf("byte %d bit %#x changes what was written and is not found", at, bit)
			}
		}
		if _, err := DumpState(dir); err != nil {
			if !errors.Is(err, ErrDamaged) && !errors.Is(err, ErrVersion) {
				t.Errorf("byte %d bit %#x: dump: %v, want ErrDamaged", at, bit, err)
			}
			refused++
		}
		if _, err := f.WriteAt(whole[at:at+1], int64(at)); err != nil {
			t.Fatal(err)
		}
	}
	t.Logf("%d flips in %d bytes: %d found, %d harmless, %d refused by the dump", flips, used, found, harmless, refused)
	if found < 100 {
		t.Errorf("only %d of %d found: the check does not look", found, flips)
	}
}

// FuzzCheck gives the check any file at all: it may find what it will, and must come back.
func FuzzCheck(f *testing.F) {
	dir := f.TempDir()
	b, err := Open(dir, 0)
	if err != nil {
		f.Fatal(err)
	}
	if err := b.Close(); err != nil {
		f.Fatal(err)
	}
	whole, err := os.ReadFile(filepath.Join(dir, fileName))
	if err != nil {
		f.Fatal(err)
	}
	f.Add(uint32(0), []byte{})
	f.Add(uint32(4096*2+8), []byte{1, 0, 0xff, 0xff})
	f.Add(uint32(4096*3+16), []byte{1, 0, 0, 0, 0xff, 0xff, 0xff, 0x7f})
	f.Fuzz(func(t *testing.T, at uint32, patch []byte) {
		dir := t.TempDir()
		bad := bytes.Clone(whole)
		copy(bad[int(at)%len(bad):], patch)
		if err := os.WriteFile(filepath.Join(dir, fileName), bad, 0o640); err != nil {
			t.Fatal(err)
		}
		if _, err := Check(dir); err != nil {
			t.Fatal(err)
		}
	})
}

// A page of the file goes rotten under the running daemon. What needs it fails by name; the process lives.
func TestRotUnderARunningBookIsAnErrorNotTheEnd(t *testing.T) {
	path, whole := written(t)
	b, err := Open(filepath.Dir(path), 0)
	if err != nil {
		t.Fatal(err)
	}
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rot := bytes.Repeat([]byte{0xff}, 4096)
	for page := 2; page < len(whole)/4096; page++ {
		if _, err := f.WriteAt(rot, int64(page)*4096); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := b.States(); !errors.Is(err, ErrDamaged) {
		t.Errorf("states: %v, want ErrDamaged", err)
	}
	if err := b.Begin(BootRow{Nonce: "00000002"}, larkfield()); !errors.Is(err, ErrDamaged) {
		t.Errorf("begin: %v, want ErrDamaged", err)
	}
	if err := b.End("duty", 30, "delivered", stamp(0), ""); !errors.Is(err, ErrDamaged) {
		t.Errorf("end: %v, want ErrDamaged", err)
	}
	if _, err := b.States(); !errors.Is(err, ErrDamaged) {
		t.Errorf("states again: %v, want ErrDamaged", err)
	}
	if err := b.Close(); err != nil {
		t.Errorf("close: %v", err)
	}
	if _, err := Open(filepath.Dir(path), 0); !errors.Is(err, ErrDamaged) {
		t.Errorf("open again: %v, want ErrDamaged and not a lock", err)
	}
}

// The disk is full: the kernel lets the file's pages not be written. Commits fail by name and number; when there is room again the
// next one succeeds without a restart, and nothing is there twice.
func TestAFullDiskFailsCommitsAndNothingElse(t *testing.T) {
	dir := t.TempDir()
	out, err := child(t, "full", dir).Output()
	if err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	lines := strings.Split(strings.TrimSpace(string(out)), "\n")
	if len(lines) != 4 {
		t.Fatalf("the child says %q", lines)
	}
	for i, want := range []string{"while full: commit seq 2: ", "still full: commit seq 3: ", "room again: <nil>", "commits 2 failures 2"} {
		if !strings.HasPrefix(lines[i], want) {
			t.Errorf("line %d is %q, want %q", i+1, lines[i], want)
		}
	}
	if !strings.Contains(lines[0], syscall.EFBIG.Error()) {
		t.Errorf("%q does not name the cause", lines[0])
	}
	r := mustBeSound(t, dir)
	if r.Events != 4 || r.Samples != 12 || r.Waiting != 4 || r.Blocks != 2 {
		t.Errorf("the book holds %+v; want 4 events, 12 samples and 4 messages in 2 blocks", r)
	}
}

// The process is killed at ten moments, each a boot of its own, all in one book. What it was told is durable is there, in full and
// once; what it was not told is there in full or not at all.
func TestNothingAcknowledgedIsLostWhenTheProcessIsKilled(t *testing.T) {
	dir := t.TempDir()
	rng := rand.New(rand.NewPCG(7, 7))
	total := 0
	for kill := range 10 {
		nonce := fmt.Sprintf("%08x", kill+1)
		cmd := child(t, "commit", dir, nonce)
		pipe, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		durable := acknowledged(t, bufio.NewReader(pipe), 1+rng.IntN(60), func() { _ = cmd.Process.Kill() })
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
		total += int(durable)

		r := mustBeSound(t, dir)
		if r.Boots != kill+1 {
			t.Fatalf("%d boots, want %d", r.Boots, kill+1)
		}
		b, err := Open(dir, time.Second)
		if err != nil {
			t.Fatal(err)
		}
		restored, err := b.Restore()
		if err != nil {
			t.Fatal(err)
		}
		state := ""
		for _, s := range restored.States {
			if s.Name == "b2" {
				state = string(s.Data)
			}
		}
		through := uint64(0)
		for _, e := range events(t, b) {
			if e.ID.Boot != nonce {
				continue
			}
			if through++; e.ID.Seq != through {
				t.Errorf("event %d stands where %d should", e.ID.Seq, through)
			}
		}
		if through < durable || through > durable+1 {
			t.Errorf("killed after %d commits were acknowledged, %d are there", durable, through)
		}
		if want := fmt.Sprintf(`{"seq":%d}`, through); state != want || restored.Before.Nonce != nonce {
			t.Errorf("state is %s of boot %s, want %s of %s", state, restored.Before.Nonce, want, nonce)
		}
		n := uint64(0)
		err = b.Blocks(BlockKey{Boot: uint32(kill + 1)}, func(block *Block) error {
			return block.Each(func(k Kept) error {
				if k.Slot != n/3+1 || k.Raw != round(k.Slot)[n%3].Raw {
					t.Errorf("sample %d is %+v", n, k)
				}
				n++
				return nil
			})
		})
		if err != nil || n != 3*through {
			t.Errorf("%d samples, %v; want %d", n, err, 3*through)
		}
		if err := b.Close(); err != nil {
			t.Fatal(err)
		}
	}
	t.Logf("10 kills, %d commits acknowledged", total)
}
