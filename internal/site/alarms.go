package site

import "strings"

// Names of what a panel itself raises, beside its limits and its interlock.
const (
	FlowOutsideAlarm       = "flow-outside"
	TemperatureFrozenAlarm = "temperature-frozen"
	ProtectionBlindAlarm   = "protection-blind"
	TooLittleDataAlarm     = "too-little-data"
	CheckAlarm             = "check-in-hand-" // and the sensor's name
)

// PanelAlarm tells whether a name belongs to an alarm that a panel itself raises; no limit can bear it.
func PanelAlarm(name string) bool {
	switch name {
	case FlowOutsideAlarm, TemperatureFrozenAlarm, ProtectionBlindAlarm, TooLittleDataAlarm:
		return true
	}
	return strings.HasPrefix(name, CheckAlarm)
}
