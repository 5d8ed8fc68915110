package httpapi

import (
	"fmt"
	"log/slog"
	"net/http"
	"strconv"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"rillwatch/internal/engine"
	"rillwatch/internal/quantity"
	"rillwatch/internal/reading"
)

// scrapesMax bounds the scrapes under way; the next is told to come later. Two servers that scrape in parallel and a person with a
// browser are three.
const scrapesMax = 4

// collector reads the View at scrape time: nothing in the house keeps a metric up to date, so none can be forgotten. A reading that may
// not be shown is absent, never NaN and never an old value. No sample carries a timestamp: a server does not mark a series with
// explicit timestamps as stale when it vanishes.
type collector struct {
	Config
	families map[quantity.Unit]family
}

// metricsHandler serves /metrics from a registry of its own.
func (s *server) metricsHandler() http.Handler {
	reg := prometheus.NewRegistry()
	reg.MustRegister(newCollector(s.Config), collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	return promhttp.HandlerFor(reg, promhttp.HandlerOpts{
		ErrorLog:            gatherLog{s.Log},
		ErrorHandling:       promhttp.HTTPErrorOnError, // half a scrape would be read as readings that are not believed
		MaxRequestsInFlight: scrapesMax,
		// Decided once, as turning it on later changes the identity of series: off. It would add units and state sets; the unit is in
		// the name, and the library has no state sets.
		EnableOpenMetrics: false,
		// CoalesceGather stays off: while one slow reader takes its answer, the next would be given the same, older one.
	})
}

func newCollector(c Config) *collector { return &collector{Config: c, families: families()} }

// Describe names every family.
func (c *collector) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range plainDescs {
		ch <- d
	}
	seen := map[*prometheus.Desc]bool{}
	for _, f := range c.families {
		if !seen[f.desc] {
			seen[f.desc] = true
			ch <- f.desc
		}
	}
}

// out sends samples.
type out chan<- prometheus.Metric

func (o out) gauge(d *prometheus.Desc, v float64, labels ...string) {
	o <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, labels...)
}

func (o out) counter(d *prometheus.Desc, n uint64, labels ...string) {
	o <- prometheus.MustNewConstMetric(d, prometheus.CounterValue, float64(n), labels...)
}

func (o out) flag(d *prometheus.Desc, is bool, labels ...string) {
	v := 0.0
	if is {
		v = 1
	}
	o.gauge(d, v, labels...)
}

// states sends one series per state, 1 for the present one.
func (o out) states(d *prometheus.Desc, all []string, present string, labels ...string) {
	for _, st := range all {
		o.flag(d, st == present, append(labels[:len(labels):len(labels)], st)...)
	}
}

func (o out) moment(d *prometheus.Desc, at reading.Stamp, labels ...string) {
	if !at.IsZero() {
		o.gauge(d, float64(at.Wall)/1e9, labels...)
	}
}

// Collect sends the View and the facts as they stand.
func (c *collector) Collect(ch chan<- prometheus.Metric) {
	o := out(ch)
	o.gauge(buildDesc, 1, c.Version)
	c.facts(o)
	v, now := c.View(), c.Now()
	if v == nil {
		return
	}
	o.counter(judgedDesc, v.Judged)
	o.flag(clockDesc, v.Clock.Certain)
	for _, p := range v.Panels {
		if p != nil {
			c.panel(o, standingPanel(v, now, p))
			c.points(o, v, now, p.Points)
		}
	}
	c.points(o, v, now, v.Free)
	for b := range v.Buses {
		c.bus(o, c.Site.Buses[b].Name, &v.Buses[b])
	}
}

func (c *collector) points(o out, v *engine.View, now reading.Stamp, points []engine.PointView) {
	for i := range points {
		p, r := &c.Site.Points[points[i].Point], standing(v, now, points[i].Reading)
		panel, point := panelName(c.Site, p.Panel), pointName(c.Site, p)
		shown := false
		if f, ok := c.families[p.Unit]; ok && r.Shown() {
			// A value too large for the metric's unit is as good as none; nothing else can go wrong within one quantity.
			if value, _, err := quantity.Convert(r.Value, p.Unit, f.unit); err == nil {
				shown = true
				o.gauge(f.desc, value, panel, point)
				o.states(boundDesc, boundStates, boundName(r.Bound), panel, point)
			}
		}
		o.flag(believedDesc, shown, panel, point)
		o.states(qualityDesc, qualityStates, r.Quality().String(), panel, point)
		o.gauge(reasonDesc, 1, panel, point, r.Reason.String())
		o.moment(lastGoodDesc, points[i].LastGood, panel, point)
		o.gauge(infoDesc, 1, panel, point, p.Quantity.String(), p.Unit.UCUM())
	}
}

func (c *collector) panel(o out, p *engine.PanelView) {
	cfg := &c.Site.Panels[p.Panel]
	for i := range p.Alarms {
		a := &p.Alarms[i]
		o.states(alarmStateDesc, alarmStates, a.State, cfg.Name, a.Name)
		o.flag(alarmActiveDesc, a.Active, cfg.Name, a.Name)
	}
	o.gauge(alarmsActiveDesc, float64(active(p)), cfg.Name)
	counts := p.Counts()
	for i, n := range stateCounts(counts) {
		o.gauge(alarmsDesc, float64(n), cfg.Name, alarmStates[i])
	}
	o.gauge(alarmsUnsteady, float64(counts.Unsteady), cfg.Name)
	o.gauge(alarmsHeld, float64(counts.Held), cfg.Name)
	o.gauge(excursionsDesc, float64(len(p.Excursions)), cfg.Name)
	if p.Interlock.Configured || cfg.Line.Configured { // else nothing tells of a valve, and "not confirmed" would be a trouble nobody has
		o.states(valveDesc, valveStates, p.Interlock.Valve.String(), cfg.Name)
	}
	if p.Interlock.Configured {
		o.states(interlockDesc, interlockStates, p.Interlock.State, cfg.Name)
	}
	o.flag(representDesc, p.Line.Representative, cfg.Name)
	o.flag(onLineDesc, p.OnLine, cfg.Name)
}

func (c *collector) bus(o out, name string, b *engine.BusView) {
	o.flag(busConnectedDesc, b.Connected, name)
	o.counter(busRoundsDesc, b.Rounds, name)
	o.counter(busMissedDesc, b.Missed, name)
	for f, n := range b.Faults {
		if reading.Fault(f) != reading.Answered { // every fault from the start, so that the first one is seen as an increase
			o.counter(busFaultsDesc, n, name, faultName(f))
		}
	}
	for _, st := range b.Stations {
		o.flag(stationDesc, st.Answering, name, strconv.Itoa(int(st.Station)))
	}
}

func (c *collector) facts(o out) {
	f := c.Facts()
	o.counter(commitsDesc, f.Commits)
	o.counter(commitsFailedDesc, f.CommitFailures)
	o.moment(lastCommitDesc, f.LastCommit)
	o.counter(droppedDesc, f.SamplesDropped)
	o.gauge(logbookSizeDesc, float64(f.LogbookBytes))
	for _, r := range f.Outbox {
		o.gauge(waitingDesc, float64(r.Waiting), r.Recipient)
		o.counter(deliveriesDesc, r.Delivered, r.Recipient, "delivered")
		o.counter(deliveriesDesc, r.Refused, r.Recipient, "refused")
		o.counter(deliveriesDesc, r.Expired, r.Recipient, "expired")
		o.counter(deliveriesDesc, r.InSummary, r.Recipient, "in_summary")
		o.counter(heartbeatsDesc, r.Heartbeats, r.Recipient, "delivered")
		o.counter(heartbeatsDesc, r.HeartbeatsFailed, r.Recipient, "failed")
		o.counter(attemptsDesc, r.Attempts, r.Recipient)
	}
}

// gatherLog takes what the library wants to say of a scrape that failed.
type gatherLog struct{ log *slog.Logger }

// Println logs one failed scrape.
func (g gatherLog) Println(v ...any) { g.log.Error("a scrape failed", "error", fmt.Sprint(v...)) }
