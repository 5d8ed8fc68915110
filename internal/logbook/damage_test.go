package logbook

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	bolt "go.etcd.io/bbolt"
)

// damage is what can happen to a file.
var damage = []struct {
	name, cause string
	do          func(path string) error
}{
	{"cut short", GapDamaged, func(p string) error { return os.Truncate(p, 8192) }},
	{"emptied", GapDamaged, func(p string) error { return os.Truncate(p, 0) }},
	{"overwritten", GapDamaged, func(p string) error {
		raw, err := os.ReadFile(p)
		for i := range raw {
			raw[i] ^= 0x5a
		}
		return errors.Join(err, os.WriteFile(p, raw, 0o640))
	}},
	{"pages lost", GapDamaged, func(p string) error {
		raw, err := os.ReadFile(p)
		for i := 8192; i < len(raw); i++ {
			raw[i] = 0xff
		}
		return errors.Join(err, os.WriteFile(p, raw, 0o640))
	}},
	{"deleted", GapMissing, os.Remove},
}

func TestADamagedFileIsSetAsideAndServiceGoesOn(t *testing.T) {
	sound := t.TempDir()
	b := fast(t, sound)
	begin(t, b, "00000001")
	minutes(t, b, "00000001", 0, 60*3+3)
	k := Keeping{file: 80 * time.Minute} // two hours a file
	tend(t, b, k)
	want := len(scanned(t, b, Query{}))
	if err := b.Close(); err != nil {
		t.Fatal(err)
	}
	for _, d := range damage {
		for _, which := range []string{"readings-000001.db", "readings-000002.db", "hours-000002.db"} { // closed, and growing
			t.Run(d.name+" "+which, func(t *testing.T) {
				dir := t.TempDir()
				names, err := os.ReadDir(sound)
				if err != nil {
					t.Fatal(err)
				}
				for _, n := range names {
					copyFile(t, filepath.Join(sound, n.Name()), filepath.Join(dir, n.Name()))
				}
				b := fast(t, dir)
				path := filepath.Join(dir, which)
				if err := d.do(path); err != nil {
					t.Fatal(err)
				}
				begin(t, b, "00000002")
				got := len(scanned(t, b, Query{}))
				_ = hourly(t, b, Query{})
				if kind := filepath.Base(path)[0]; kind == kindReadings && got >= want {
					t.Errorf("%d readings of %d came back", got, want)
				}
				m := tend(t, b, k)
				if len(m.Aside) != 1 || !strings.HasPrefix(m.Aside[0], filepath.Base(path)) {
					t.Fatalf("set aside %v, want %s", m.Aside, filepath.Base(path))
				}
				left, _ := filepath.Glob(path + "*")
				if d.cause == GapDamaged && (len(left) != 1 || left[0] == path) {
					t.Errorf("files %v: it should have a name that says why", left)
				}
				t.Log(m.Aside[0], left)
				if filepath.Base(path)[0] == kindReadings {
					gaps, err := b.Gaps(context.Background(), time.Time{}, time.Time{})
					if err != nil || !slices.ContainsFunc(gaps, func(g Gap) bool { return g.Cause == d.cause && g.Readings > 0 }) {
						t.Errorf("gaps %+v, %v", gaps, err)
					}
				}
				minutes(t, b, "00000002", 0, 63) // and it goes on
				if m := tend(t, b, k); m.Hours != 1 || len(m.Aside) != 0 {
					t.Errorf("then %d hours moved, set aside %v", m.Hours, m.Aside)
				}
			})
		}
	}
}

// One chunk goes rotten: that hour of that point is a gap, everything else stays.
func TestARottenChunkCostsItselfAndIsTold(t *testing.T) {
	dir := t.TempDir()
	b, err := Open(dir, 0)
	if err != nil {
		t.Fatal(err)
	}
	b.db.NoSync = true
	begin(t, b, "00000001")
	minutes(t, b, "00000001", 0, 125)
	want := scanned(t, b, Query{})
	tend(t, b, Keeping{})
	if err := b.writePart(fileID{kindReadings, 1}, func(tx *bolt.Tx) error {
		c := tx.Bucket(bucketChunks)
		k, v := c.Cursor().First()
		bad := slices.Clone(v)
		bad[len(bad)/2] ^= 1
		return c.Put(slices.Clone(k), bad)
	}); err != nil {
		t.Fatal(err)
	}
	for range 2 {
		if got := scanned(t, b, Query{}); len(got) != len(want)-3600 {
			t.Errorf("%d of %d readings came back, want all but an hour of one point", len(got), len(want))
		}
		gaps, err := b.Gaps(context.Background(), time.Time{}, time.Time{})
		if err != nil || len(gaps) != 1 || gaps[0].Cause != GapDamaged || gaps[0].From != noon {
			t.Errorf("gaps %+v, %v", gaps, err)
		}
		tend(t, b, Keeping{}) // what was remembered is on disk now, once
	}
	if err := b.Close(); err != nil {
		t.Fatal(err)
	}
	if r, err := Check(dir); err != nil || len(r.Findings) != 2 || !strings.Contains(r.Findings[0], "checksum") {
		t.Errorf("check finds %q, %v; want the chunk, and that readings are missing", r.Findings, err)
	}
}
