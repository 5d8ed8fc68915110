package logbook

import (
	"encoding/hex"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	bolt "go.etcd.io/bbolt"
)

var update = flag.Bool("update", false, "write the golden files of formats that have none yet")

// golden reads a file of the place, the bytes and what they mean, one line each.
func golden(t *testing.T, name string) (place, raw []byte, want string) {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.SplitN(string(text), "\n", 3)
	if place, err = hex.DecodeString(lines[0]); err != nil {
		t.Fatal(err)
	}
	if raw, err = hex.DecodeString(lines[1]); err != nil {
		t.Fatal(err)
	}
	return place, raw, lines[2]
}

func line(k kept) string {
	return fmt.Sprintf("%d %d %d %d %d %d\n", k.id, k.slot, k.up, k.raw, k.fault, k.reason)
}

// The bytes were written by the program that had block format 1 and no other.
func TestABlockOfFormatOneReadsForEver(t *testing.T) {
	place, raw, want := golden(t, "block-1.txt")
	_, slots := everyKind()
	var got strings.Builder
	head, err := walkBlock(place, raw, lookUp(slots), func(k kept) error { got.WriteString(line(k)); return nil })
	if err != nil {
		t.Fatal(err)
	}
	fmt.Fprintf(&got, "%d %d %v %d\n", head.at.Wall, head.at.Up, head.certain, head.names)
	if got.String() != want {
		t.Errorf("it reads\n%s\nand was written as\n%s", got.String(), want)
	}
}

func TestAChunkOfFormatTwoReadsForEver(t *testing.T) {
	for _, kind := range []string{"int16", "float32", "float64"} {
		name := "chunk-2-" + kind + ".txt"
		e := entryOf(kind)
		if _, err := os.Stat(filepath.Join("testdata", name)); err != nil && *update {
			all := hourOfKind(kind, 6*7+3)
			if kind != "int16" {
				all = hourOfKind(kind, 9)
			}
			raw := encodeChunk(chunkPlace, usualCodes, &e, all)
			got, err := readChunk(chunkPlace, raw, e.Slot)
			if err != nil {
				t.Fatal(err)
			}
			text := fmt.Sprintf("%x\n%x\n", chunkPlace, raw)
			for _, k := range got {
				text += line(k)
			}
			if err := os.WriteFile(filepath.Join("testdata", name), []byte(text), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		place, raw, want := golden(t, name)
		all, err := readChunk(place, raw, e.Slot)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		var got strings.Builder
		for _, k := range all {
			got.WriteString(line(k))
		}
		if got.String() != want || len(all) < 100 {
			t.Errorf("%s: %d samples, and not as they were written", name, len(all))
		}
	}
}

// A logbook from before there were period files: it is opened, read, and from then on kept small.
func TestALogbookOfAnOlderProgramIsTakenUp(t *testing.T) {
	dir := t.TempDir()
	b := fast(t, dir)
	begin(t, b, "00000001")
	minutes(t, b, "00000001", 0, 70)
	want := scanned(t, b, Query{})
	if err := b.db.Update(func(tx *bolt.Tx) error {
		for _, name := range added {
			if err := tx.DeleteBucket(name); err != nil {
				return err
			}
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	if err := b.Close(); err != nil {
		t.Fatal(err)
	}
	mustBeSound(t, dir)
	r, err := OpenForReading(dir, 0)
	if err != nil {
		t.Fatal(err)
	}
	same(t, "read only", scanned(t, r, Query{}), want)
	if err := r.Close(); err != nil {
		t.Fatal(err)
	}
	b = fast(t, dir)
	begin(t, b, "00000002")
	if m := tend(t, b, Keeping{}); m.Hours != 2 {
		t.Errorf("%d hours moved, want both", m.Hours)
	}
	same(t, "taken up", scanned(t, b, Query{}), want)
}
