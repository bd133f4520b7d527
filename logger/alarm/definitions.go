package alarm

import "time"

// The alarms of a bench, by ID.
const (
	GlassOverCeiling    = "glass-over-ceiling"
	GlassNearingCeiling = "glass-nearing-ceiling"
	GlassSensorLost     = "glass-sensor-lost"
	PressureSensorLost  = "pressure-sensor-lost"
	CurrentSensorLost   = "current-sensor-lost"
	RecordingFailed     = "recording-failed"
	HeatingTooFast      = "heating-too-fast"
	CurrentOverLimit    = "current-over-limit"
	CalibrationDue      = "calibration-due"
	SounderFailed       = "sounder-failed"
	AgeingTubeOut       = "ageing-tube-out"
	AgeingLightGone     = "ageing-light-gone"
)

// BenchAlarms are the alarms of a bench. Their delays are for a process in
// which glass gains up to 7 °C in a second: the start values of IEC 62682 for
// process plants, 15 to 60 s, would come too late.
func BenchAlarms() []Definition {
	return []Definition{
		{
			ID: GlassOverCeiling, Title: "Glass over its ceiling", Priority: High, Latched: true,
			Response: "Switch the bombarder off and let the glass cool on the pump; look at coating and glass before going on.",
			// At once: single wild samples have been left out before they get here.
			OffDelay: 2 * time.Second,
		},
		{
			ID: GlassNearingCeiling, Title: "Glass will reach its ceiling in seconds", Priority: High, Signal: Approach,
			Response: "Lower the current or switch the bombarder off now.",
			OnDelay:  300 * time.Millisecond, OffDelay: time.Second,
			SuppressedBy: []string{GlassOverCeiling, GlassSensorLost},
		},
		{
			ID: GlassSensorLost, Title: "Glass temperature lost", Priority: High,
			Response: "Nothing watches the glass: switch the bombarder off, then see to sensor and wiring.",
			OnDelay:  time.Second, OffDelay: time.Second,
		},
		{
			ID: PressureSensorLost, Title: "Pressure reading lost", Priority: Medium,
			Response: "Admit no gas by this gauge; see to gauge and wiring.",
			OnDelay:  2 * time.Second, OffDelay: time.Second,
		},
		{
			ID: CurrentSensorLost, Title: "Current reading lost", Priority: Medium,
			Response: "Go by the bench's own meter; see to transformer and wiring once the bombarder is off.",
			OnDelay:  2 * time.Second, OffDelay: time.Second,
		},
		{
			ID: RecordingFailed, Title: "The run is not being recorded", Priority: Medium,
			Response: "Note the readings by hand; see under Troubles what the disk says.",
			OnDelay:  2 * time.Second, OffDelay: 2 * time.Second,
		},
		{
			ID: HeatingTooFast, Title: "Glass heats too fast", Priority: Low,
			Response: "Lower the current.",
			OnDelay:  time.Second, OffDelay: 2 * time.Second,
			SuppressedBy: []string{GlassOverCeiling, GlassNearingCeiling, GlassSensorLost},
		},
		{
			ID: CurrentOverLimit, Title: "Current over the electrodes' limit", Priority: Low,
			Response: "Lower the current: the choke further in.",
			OnDelay:  time.Second, OffDelay: 2 * time.Second,
			SuppressedBy: []string{CurrentSensorLost},
		},
		{
			ID: SounderFailed, Title: "The alarm can not be heard", Priority: Medium,
			Response: "Watch the page; see under Troubles what is wrong with the sounder.",
			OnDelay:  time.Second, OffDelay: time.Second,
		},
		{
			ID: AgeingTubeOut, Title: "The ageing tube is out", Priority: Medium,
			Response: "Switch its supply off, then look at the tube, its leads and the supply; begin again, or end the ageing run.",
			// At once: its current has been gone for a second before it gets here.
			OffDelay: time.Second,
		},
		{
			ID: AgeingLightGone, Title: "The ageing tube's light has collapsed", Priority: Medium,
			Response: "Look at the tube: if it is dark or glows elsewhere, switch its supply off; if it is as it was, put the photodiode back.",
			OffDelay: time.Second, SuppressedBy: []string{AgeingTubeOut},
		},
		{
			ID: CalibrationDue, Title: "A calibration is overdue or drifts", Priority: Low,
			Response: "Calibrate the channel that the page names before values that matter are taken with it.",
			OnDelay:  3 * time.Second, OffDelay: time.Second,
		},
	}
}
