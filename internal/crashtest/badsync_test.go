package crashtest

import (
	"math/rand/v2"
	"testing"
)

// TestAFailedSyncIsNotTrustedByTheNextCommit: the device refuses a sync now and then, and the kernel then believes its own copy of what
// never arrived. A commit built on that copy, and a power failure after it, must lose nothing that was told.
func TestAFailedSyncIsNotTrustedByTheNextCommit(t *testing.T) {
	commits, most := 60, 120
	if soak() {
		commits, most = 300, 10_000
	}
	// A commit has two syncs, of its pages and of the page that makes them count; an odd stride hits both in turn.
	for i, which := range []string{"25+7", "26+7", "31+5", "30+11", "31+13"} {
		job := "writer"
		if i > 2 {
			job = "tends"
		}
		steps, root := record(t, job, commits, "-e", "inject=fdatasync,fsync:error=EIO:when="+which)
		rng := rand.New(rand.NewPCG(6, 5))
		d := newDisk(root, rng, toldAloud)
		y := images(t, steps, d, most, rng, lookAtWriters)
		y.report(t, d)
		for _, w := range y.wrong {
			t.Errorf("%s, syncs %s fail: %s", job, which, w)
		}
		if y.lost == 0 || d.failed < 5 || len(d.told) == 0 {
			t.Errorf("too little was tried: %+v, %s", y, d)
		}
	}
}
