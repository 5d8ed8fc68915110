package httpapi

import (
	"github.com/prometheus/client_golang/prometheus"

	"rillwatch/internal/quantity"
	"rillwatch/internal/reading"
)

// The families beside those of the quantities. A state is one series per state, 0 or 1, all of them always there, so that a query never
// meets a state that was not yet seen. The one exception is reading_reason.
var (
	pointLabels = []string{"panel", "point"}

	believedDesc = desc("reading_believed", "Whether the point's value is in the metrics: 1, or 0 when it may not be believed.", pointLabels...)
	boundDesc    = desc("reading_bound", "How the value bounds the truth: exact, below (at the floor of the range) or above (at its ceiling). There while the value is.",
		"panel", "point", "bound")
	qualityDesc = desc("reading_quality", "Quality of the reading: good, uncertain or bad.", "panel", "point", "quality")
	// One series, of the present reason: all of them would be 27 for each point, and at a thousand points four fifths of the whole scrape.
	// When the reason changes the old series is marked stale by the next scrape.
	reasonDesc   = desc("reading_reason", "The one reason why the reading is or is not believed; only the present reason is there, as 1.", "panel", "point", "reason")
	lastGoodDesc = desc("reading_last_good_timestamp_seconds", "When the last value that was shown was asked for. Absent until the first.", pointLabels...)
	infoDesc     = desc("point_info", "What a point measures, and its unit on the panel as a UCUM code; the value's own unit is in its family's name.",
		"panel", "point", "quantity", "unit")

	busConnectedDesc = desc("bus_connected", "Whether the bus has a connection.", "bus")
	busRoundsDesc    = desc("bus_rounds_total", "Rounds made over the bus, those in silence too.", "bus")
	busMissedDesc    = desc("bus_missed_slots_total", "Places on the poll grid at which no round was made.", "bus")
	busFaultsDesc    = desc("bus_faults_total", "Requests that were not answered, by what became of them.", "bus", "fault")
	stationDesc      = desc("station_answering", "Whether the station answered in its last round.", "bus", "station")

	alarmStateDesc    = desc("alarm_state", "State of the alarm as in IEC 62682.", "panel", "alarm", "state")
	alarmActiveDesc   = desc("alarm_active", "Whether the alarm's condition holds, whatever its state.", "panel", "alarm")
	alarmsActiveDesc  = desc("alarms_active", "Alarms of the panel whose condition holds.", "panel")
	alarmsDesc        = desc("alarms", "Alarms of the panel by the state they are shown in, as in IEC 62682.", "panel", "state")
	alarmsUnsteady    = desc("alarms_unsteady", "Alarms of the panel that come and go, and are counted and not told until they have rested.", "panel")
	alarmsHeld        = desc("alarms_held_back", "Alarms of the panel whose condition holds and for which another message speaks.", "panel")
	excursionsDesc    = desc("excursions_open", "Open excursions of the panel.", "panel")
	valveDesc         = desc("sample_valve_state", "What evidence shows of the sample valve: open, closed or not_confirmed.", "panel", "state")
	interlockDesc     = desc("interlock_state", "State of the sample over-temperature watch.", "panel", "state")
	representDesc     = desc("sample_representative", "Whether the sensors stand in flowing, cooled, fresh sample.", "panel")
	onLineDesc        = desc("boiler_on_line", "Whether the boiler is being fed.", "panel")
	judgedDesc        = desc("judged_rounds_total", "Rounds that went through judgement, those in silence too: the heartbeat from the end of the work.")
	clockDesc         = desc("clock_certain", "Whether the wall clock is trusted.")
	commitsDesc       = desc("logbook_commits_total", "Commits to the logbook that succeeded.")
	commitsFailedDesc = desc("logbook_commit_failures_total", "Commits to the logbook that failed; each was tried again.")
	lastCommitDesc    = desc("logbook_last_commit_timestamp_seconds", "When the last commit to the logbook succeeded. Absent until the first.")
	droppedDesc       = desc("logbook_samples_dropped_total", "Samples given up because the disk did not follow. Events never are.")
	logbookSizeDesc   = desc("logbook_size_bytes", "Size of the logbook on disk.")
	waitingDesc       = desc("outbox_waiting", "Messages not yet delivered to the recipient.", "recipient")
	deliveriesDesc    = desc("deliveries_total", "Messages to the recipient by how they ended: delivered, refused, expired, or told in a summary.", "recipient", "result")
	heartbeatsDesc    = desc("heartbeats_total", "Heartbeats to the recipient by how they ended: delivered or failed.", "recipient", "result")
	attemptsDesc      = desc("delivery_attempts_total", "Attempts to deliver a message to the recipient.", "recipient")
	buildDesc         = desc("build_info", "Always 1; the label is the version that runs.", "version")
)

var plainDescs = []*prometheus.Desc{believedDesc, boundDesc, qualityDesc, reasonDesc, lastGoodDesc, infoDesc, busConnectedDesc, busRoundsDesc, busMissedDesc,
	busFaultsDesc, stationDesc, alarmStateDesc, alarmActiveDesc, alarmsActiveDesc, alarmsDesc, alarmsUnsteady, alarmsHeld, excursionsDesc, valveDesc, interlockDesc, representDesc, onLineDesc, judgedDesc,
	clockDesc, commitsDesc, commitsFailedDesc, lastCommitDesc, droppedDesc, logbookSizeDesc, waitingDesc, deliveriesDesc, heartbeatsDesc, attemptsDesc, buildDesc}

var (
	qualityStates = []string{reading.Good.String(), reading.Uncertain.String(), reading.Bad.String()}
	boundStates   = []string{boundName(reading.Exact), boundName(reading.Below), boundName(reading.Above)}
	valveStates   = []string{reading.ValveOpen.String(), reading.ValveClosedState.String(), reading.ValveNotConfirmed.String()}
)

func desc(name, help string, labels ...string) *prometheus.Desc {
	return prometheus.NewDesc("rillwatch_"+name, help, labels, nil)
}

// family is where the values of a unit are shown, and in which unit.
type family struct {
	desc *prometheus.Desc
	unit quantity.Unit
}

// families gives the family of every unit there is, those the site does not use too: two sites have the same families.
func families() map[quantity.Unit]family {
	byName, byUnit := map[string]*prometheus.Desc{}, map[quantity.Unit]family{}
	for _, q := range quantity.Quantities() {
		for _, u := range q.Units() {
			name, unit := u.Metric()
			d := byName[name]
			if d == nil {
				help := "Believed values of " + q.String()
				if unit.Display() != "" {
					help += " in " + unit.Display()
				}
				d = desc(name, help+".", pointLabels...)
				byName[name] = d
			}
			byUnit[u] = family{d, unit}
		}
	}
	return byUnit
}

func faultName(f int) string { return reading.Fault(f).String() }
