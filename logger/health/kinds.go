package health

import "time"

// Kinds are the kinds of trouble that tipoff's own rooms find. The pointers are
// what Set and Clear take; a room that finds another kind adds it to the list
// it gives New.
type Kinds struct {
	ChannelAbsent      *Kind // subject: channel; parent: its device or bus
	OptionalAbsent     *Kind // the same for a channel that the bench can do without
	BusFailing         *Kind // subject: bus
	DeviceRestored     *Kind // subject: device; parent: its bus
	DiskFailing        *Kind // subject: folder
	DiskFullSoon       *Kind // subject: folder
	ClockUnknown       *Kind // subject: "clock"
	SounderSilent      *Kind // subject: sounder
	LateFrames         *Kind // subject: "frames"; parent: the folder recorded to
	ForwardFailing     *Kind // subject: address of the remote store
	CardUnreadable     *Kind // subject: the card's file
	CalibrationOverdue *Kind // subject: channel

	CalibrationDrifting *Kind // subject: channel
	CalibrationWaiting  *Kind // subject: "certificates"
	CertificateUnusable *Kind // subject: "certificates"
	Contradiction       *Kind // subject: channel
	// GlassUnseen is what the arc tells of the glass channel; Contradiction is what the
	// channels tell of each other. Each is set and cleared by one room alone.
	GlassUnseen   *Kind // subject: channel
	ButtonHeld    *Kind // subject: channel
	ReadingMarked *Kind // subject: channel
}

// Declare makes the kinds.
func Declare() *Kinds {
	return &Kinds{
		ChannelAbsent: &Kind{
			Code: "channel-absent", Title: "Channel gives no reading", Severity: Failure,
			DependsOn: []string{"bus-failing"}, After: time.Second,
		},
		OptionalAbsent: &Kind{
			Code: "optional-channel-absent", Title: "Optional channel gives no reading", Severity: Notice,
			DependsOn: []string{"bus-failing"}, After: time.Second,
		},
		BusFailing: &Kind{
			Code: "bus-failing", Title: "Bus does not answer", Severity: Failure, After: time.Second,
		},
		DeviceRestored: &Kind{
			Code: "device-restored", Title: "Device keeps losing its settings", Severity: Warning,
			DependsOn: []string{"bus-failing"},
		},
		DiskFailing: &Kind{
			Code: "disk-failing", Title: "Recording cannot be written", Severity: Failure,
		},
		DiskFullSoon: &Kind{
			Code: "disk-full-soon", Title: "Disk is nearly full", Severity: Warning,
			DependsOn: []string{"disk-failing"}, After: 10 * time.Second,
		},
		// A board without a battery gets the time from the network within a
		// minute or so; before that it is no news.
		ClockUnknown: &Kind{
			Code: "clock-unknown", Title: "Date and time are not known", Severity: Notice, After: 2 * time.Minute,
		},
		SounderSilent: &Kind{
			Code: "sounder-silent", Title: "Sounder does not work", Severity: Warning,
		},
		LateFrames: &Kind{
			Code: "late-frames", Title: "Readings come late", Severity: Warning,
			DependsOn: []string{"disk-failing"}, After: 5 * time.Second,
		},
		ForwardFailing: &Kind{
			Code: "forward-failing", Title: "Remote store does not take readings", Severity: Notice, After: time.Minute,
		},
		CardUnreadable: &Kind{
			Code: "card-unreadable", Title: "Tube card cannot be used", Severity: Warning,
		},
		CalibrationOverdue: &Kind{
			Code: "calibration-overdue", Title: "Calibration is past its date", Severity: Notice,
		},
		CalibrationDrifting: &Kind{
			Code: "calibration-drifting", Title: "Calibration drifts", Severity: Notice,
		},
		CalibrationWaiting: &Kind{
			Code: "calibration-waiting", Title: "New calibration counts from the next run on", Severity: Notice,
		},
		// A certificate that is being written may look unfinished for a moment.
		CertificateUnusable: &Kind{
			Code: "certificate-unusable", Title: "Certificate cannot be used", Severity: Warning, After: 3 * time.Second,
		},
		Contradiction: &Kind{
			Code: "channels-contradict", Title: "Two channels contradict each other", Severity: Warning,
		},
		GlassUnseen: &Kind{
			Code: "glass-unseen", Title: "Thermocouple does not see the glass", Severity: Warning,
		},
		ReadingMarked: &Kind{
			Code: "reading-marked", Title: "Reading can be believed only in part", Severity: Warning,
		},
		ButtonHeld: &Kind{
			Code: "button-held", Title: "Acknowledge button stays pressed", Severity: Warning,
		},
	}
}

// All lists the kinds for New.
func (k *Kinds) All() []*Kind {
	return []*Kind{k.ChannelAbsent, k.OptionalAbsent, k.BusFailing, k.DeviceRestored, k.DiskFailing, k.DiskFullSoon, k.ClockUnknown,
		k.SounderSilent, k.LateFrames, k.ForwardFailing, k.CardUnreadable, k.CalibrationOverdue, k.Contradiction,
		k.CalibrationDrifting, k.CalibrationWaiting, k.CertificateUnusable, k.ButtonHeld, k.ReadingMarked,
		k.GlassUnseen}
}
