package alert

import (
	"time"

	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/sensors"
	"dewline/store"
)

// A Snapshot is everything that pages, metrics and programs show of one
// moment. It is made by the daemon and never changed afterwards, so any number
// of readers may share it. Package wire makes what leaves of it.
type Snapshot struct {
	At sensors.Instant
	// Published is when it was made, on the process's own clock: while the core
	// lives there is a new one every second.
	Published time.Time

	Room     string
	RoomName string
	Version  string
	Started  time.Time

	Enclosures []rules.EnclosureView
	Probes     []rules.ProbeView
	Contacts   []rules.ContactView
	Alarms     []rules.AlarmView
	KPI        rules.KPI
	Telling

	Record    store.Stats
	Recording bool       // the last commit worked
	RecordWhy alarm.Fact // else

	Polling

	// Cycle counts completed sample-and-rule rounds and CycleAt is when the
	// last one ended, on the process's own clock.
	Cycle   uint64
	CycleAt time.Time

	// Reloads of the configuration since the start, and the last refusal.
	ConfigLoaded  time.Time
	ConfigRefused string
}

// A Polling is how the probes were read since the start.
type Polling struct {
	Polls []sensors.ProbeCounts
	Buses []sensors.BusCounts
}
