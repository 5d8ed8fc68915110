package cli

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"sync"
	"time"

	"github.com/spf13/cobra"

	"rillwatch/internal/engine"
	"rillwatch/internal/logbook"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// ownReader polls the buses as the daemon would, and knows the latest of each point.
type ownReader struct {
	s      *site.Site
	mu     sync.Mutex // the buses' rounds and the person meet here
	got    map[int]*answers
	cancel context.CancelFunc
	ctx    context.Context
	wait   sync.WaitGroup
}

func (p *prover) ownReader(c *cobra.Command) (*ownReader, error) {
	o := &ownReader{s: p.site, got: map[int]*answers{}}
	o.ctx, o.cancel = context.WithCancel(c.Context())
	log := (&lineFlags{}).log(c)
	for i := range p.site.Buses {
		if len(p.site.Buses[i].Sensors) == 0 {
			continue
		}
		o.got[i] = &answers{}
		if b := &p.site.Buses[i]; b.Serial() {
			fmt.Fprintf(c.ErrOrStderr(), "bus %s: listening for %s whether another master speaks; nothing is sent\n", b.Name, b.Listen)
		}
		o.wait.Go(func() {
			err := rounds(o.ctx, p.site, i, log, func(b reading.Batch) bool {
				o.mu.Lock()
				defer o.mu.Unlock()
				a := o.got[i]
				if a.add(b); len(a.reads) > readsKept {
					a.reads = append([]reading.Read(nil), a.reads[len(a.reads)-readsKept:]...)
				}
				return true
			})
			if err != nil {
				fmt.Fprintln(c.ErrOrStderr(), err)
			}
		})
	}
	return o, nil
}

func (o *ownReader) stop() {
	o.cancel()
	o.wait.Wait()
}

// rows are those of all buses so far, judged together.
func (o *ownReader) rows() (rows []rowJSON) {
	for i := range o.s.Buses {
		if a := o.got[i]; a != nil {
			rows = append(rows, rowsOf(o.s, i, a)...)
		}
	}
	return together(o.s, rows)
}

// value waits for the first answer of a point.
func (o *ownReader) value(point int) shownValue {
	bus := o.s.Sensors[o.s.Points[point].Sensor].Bus
	late := time.NewTimer(readWithin + o.s.Buses[bus].Listen)
	defer late.Stop()
	again := time.NewTicker(proofLookAt)
	defer again.Stop()
	for {
		v := shownValue{why: "nothing was read yet"}
		o.mu.Lock()
		for _, row := range o.rows() {
			if row.reading.point != point {
				continue
			}
			f, _ := reading.ParseFault(row.Fault)
			switch {
			case passing(f):
			case row.Value == nil || row.Bound != reading.Exact.String():
				v.why = row.Words
			default:
				v = shownValue{value: *row.Value, text: row.reading.text}
			}
		}
		o.mu.Unlock()
		if v.why == "" {
			return v
		}
		select {
		case <-o.ctx.Done():
			return shownValue{why: "interrupted"}
		case <-late.C:
			return v
		case <-again.C:
			if v.why != "nothing was read yet" {
				return v
			}
		}
	}
}

// putByHand writes the proof to the logbook.
func (p *prover) putByHand(c *cobra.Command, d display, v shownValue) (compared, string, error) {
	pt := &p.site.Points[d.point]
	k := engine.Compare(pt, v.value, engine.Prove{Point: pt.Path, Shown: d.shown.Value, Step: d.step, Tolerance: d.tolerance})
	k.Who, k.Why, k.At = p.ask.who, p.ask.why, reading.WallOf(time.Now())
	k.Certain = true
	hash := p.site.MapHash(d.point)
	var st engine.ProofStanding
	err := logbook.ChangeState(p.site.Logbook.Dir, engine.ProofsRow, proofLock, func(old []byte) ([]byte, error) {
		all, err := engine.ParseProofs(old)
		if err != nil {
			return nil, err
		}
		all = engine.AddProof(all, pt.Path, hash, pt.Unit.Name(), k)
		st, _ = engine.ProofOf(all, pt.Path).Standing(hash)
		return engine.FormatProofs(all), nil
	})
	if err != nil {
		return notCompared, "", fmt.Errorf("the proof could not be kept: %w", err)
	}
	ok := differs
	if k.Within {
		ok = agrees
	}
	return ok, fmt.Sprintf("%s reads %s and the display shows %s: %s", pt.Path, v.text, strings.TrimSpace(d.shown.Text+" "+pt.Unit.Display()), engine.ProofWords(k, st)), nil
}

// byDaemon reads what the daemon believes.
func (p *prover) byDaemon(c *cobra.Command) func(int) shownValue {
	return func(point int) shownValue {
		all, err := p.daemonReadings(c)
		if err != nil {
			return shownValue{why: err.Error()}
		}
		pt := &p.site.Points[point]
		for _, r := range all.Readings {
			if r.Panel+"."+r.Point != pt.Path {
				continue
			}
			if r.Value == nil {
				return shownValue{why: r.Reason}
			}
			f, err := r.Value.Float64()
			if err != nil {
				break
			}
			return shownValue{value: f, text: strings.TrimSpace(r.Value.String() + " " + pt.Unit.Display())}
		}
		return shownValue{why: "the daemon does not know this point: it was started with another text of the file"}
	}
}

// view is what the daemon reads, from where the proof will go; nil where none answers.
func (p *prover) view(ctx context.Context) []byte {
	return viewAt(ctx, strings.TrimRight(p.ask.api, "/"), p.site.Name, "/api/v1/readings")
}

// daemonReadings refuses a daemon of another text of the file: what it calls by the same name may stand in another register, in another unit, and
// its proof would be of that.
func (p *prover) daemonReadings(c *cobra.Command) (daemonReadings, error) {
	body := p.view(c.Context())
	if body == nil {
		return daemonReadings{}, errors.New("the daemon does not answer any more")
	}
	all, err := parseReadings(body)
	if err == nil && all.Definition != p.site.Hash {
		err = fmt.Errorf("the daemon that runs was started with another text of this file (%s, and this one is %s): restart it with this file first", all.Definition, p.site.Hash)
	}
	return all, err
}

// putByDaemon has the daemon compare and keep it.
func (p *prover) putByDaemon(c *cobra.Command, d display, v shownValue) (compared, string, error) {
	a := p.ask
	var out strings.Builder
	quiet := &cobra.Command{}
	quiet.SetContext(c.Context())
	quiet.SetOut(&out)
	a.json = true
	err := a.ask(quiet, "prove", map[string]any{"point": p.site.Points[d.point].Path, "shown": d.shown.Value, "step": d.step, "tolerance": d.tolerance})
	var said struct{ Words, Detail string }
	if out.Len() > 0 && json.Unmarshal([]byte(out.String()), &said) == nil && said.Detail != "" {
		return notCompared, p.site.Points[d.point].Path + ": " + said.Detail, nil // refused, with the reason
	}
	if err != nil {
		return notCompared, "", err
	}
	if strings.Contains(said.Words, engine.Differ) {
		return differs, said.Words, nil
	}
	return agrees, said.Words, nil
}
