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
// of readers may share it.
type Snapshot struct {
	At sensors.Instant `json:"at"`
	// Published is when it was made, on the process's own clock: while the core
	// lives there is a new one every second.
	Published time.Time `json:"-"`

	Room     string    `json:"room"`
	RoomName string    `json:"room_name"`
	Version  string    `json:"version"`
	Started  time.Time `json:"started"`

	Enclosures []rules.EnclosureView `json:"enclosures"`
	Probes     []rules.ProbeView     `json:"probes"`
	Contacts   []rules.ContactView   `json:"-"`
	Alarms     []rules.AlarmView     `json:"alarms"`
	KPI        rules.KPI             `json:"kpi"`
	Telling

	Record    store.Stats `json:"record"`
	Recording bool        `json:"recording"`           // the last commit worked
	RecordWhy alarm.Fact  `json:"record_why,omitzero"` // else

	Polls []sensors.ProbeCounts `json:"-"`
	Buses []sensors.BusCounts   `json:"-"`

	// Cycle counts completed sample-and-rule rounds and CycleAt is when the
	// last one ended, on the process's own clock.
	Cycle   uint64    `json:"cycle"`
	CycleAt time.Time `json:"cycle_at"`

	// Reloads of the configuration since the start, and the last refusal.
	ConfigLoaded  time.Time `json:"config_loaded"`
	ConfigRefused string    `json:"config_refused,omitempty"`
}
