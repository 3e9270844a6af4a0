package alert

import (
	"cmp"
	"slices"
	"time"

	"dewline/configs"
	"dewline/configs/unit"
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

// A NoticeView is a snapshot of one open notice for pages and APIs.
type NoticeView struct {
	Notice       Notice
	Message      Message // in the first person's units
	Acknowledged bool
	Told         []string      // people, in order
	NextRepeat   time.Duration // running time
}

// A Telling is what the Desk shows in a Snapshot.
type Telling struct {
	Notices  []NoticeView
	Delivery Stats
	Drill    *DrillResult
	OnDuty   string // who is told first now, where somebody is named
}

// Telling returns what a Snapshot shows of the Desk.
func (d *Desk) Telling(now sensors.Instant) Telling {
	t := Telling{Notices: d.Open(), Delivery: d.Stats(now)}
	t.Delivery.Stalled = append([]string{}, d.StalledChannels(now)...)
	if drill, ok := d.LastDrill(); ok {
		t.Drill = &drill
	}
	return t
}

// Open returns the notices that have not ended, worst first; drills are left
// out.
func (d *Desk) Open() []NoticeView {
	open := slices.DeleteFunc(slices.Clone(d.book.list()), func(in *incident) bool { return in.Ended || in.aside() || !in.active() })
	slices.SortStableFunc(open, func(a, b *incident) int { return cmp.Or(graver(a, b), a.Notice.Since.Compare(b.Notice.Since)) })
	var out []NoticeView
	for _, in := range open {
		v := NoticeView{
			Notice: in.Notice, Message: Render(in.Notice, unit.ScaleOf(d.opt.People[0].Units)),
			Acknowledged: in.acked(), NextRepeat: in.NextRepeat,
		}
		v.Notice.Members = slices.Clone(in.Notice.Members)
		for _, p := range in.Out {
			if p.Sent > 0 && !slices.Contains(v.Told, p.Person) {
				v.Told = append(v.Told, p.Person)
			}
		}
		out = append(out, v)
	}
	return out
}

// AnsweredBy returns who acknowledged all that is active under an open notice,
// so that a link answers it once; empty for nobody. A notice that rings again
// may be answered again.
func (d *Desk) AnsweredBy(id string) string {
	if in := d.book.byID[id]; in != nil && !in.Ended && !in.aside() && in.active() && in.acked() {
		return in.Notice.AckedBy
	}
	return ""
}

// Settled reports whether every channel has the connection that it wants, and nothing that
// was handed out waits for its result.
func (d *Desk) Settled() bool {
	for name, c := range d.links.byName {
		if c.known && c.upSince == 0 && name != configs.ChannelSounder {
			return false
		}
	}
	for _, p := range d.outbox.book.parcels() {
		if p.State == out {
			return false
		}
	}
	return true
}

// Stats says how delivery does.
type Stats struct {
	Depth     int                     `json:"waiting"` // deliveries not taken over yet, held ones included
	OldestAge rules.Seconds           `json:"oldest_seconds"`
	Open      int                     `json:"open"`      // notices
	OpenWake  int                     `json:"open_wake"` // of them unanswered and urgent
	Dropped   uint64                  `json:"dropped"`
	Stalled   []string                `json:"stalled_channels"` // filled in by Telling
	Channels  map[string]ChannelStats `json:"channels"`
}

// Stats returns the figures at now.
func (d *Desk) Stats(now sensors.Instant) Stats {
	s := Stats{Dropped: d.outbox.dropped, Channels: d.links.stats(now)}
	for _, c := range s.Channels {
		s.Depth += c.Pending
		s.OldestAge = max(s.OldestAge, c.OldestAge)
	}
	for _, in := range d.book.byID {
		if !in.Ended && !in.aside() && in.active() {
			s.Open++
			if in.calling() {
				s.OpenWake++
			}
		}
	}
	return s
}

// Calling reports whether a wake alarm calls that nobody answered, and whether that
// reaches nobody now: no channel took it over yet, or none of anybody's works any
// more.
func (d *Desk) Calling(now sensors.Instant) (calling, unreached bool) {
	d.begin(now)
	for _, in := range d.book.list() {
		if in.Ended || in.aside() || !in.calling() {
			continue
		}
		calling = true
		if in.any(func(m *Member) bool { return calls(m) && !m.Heard }) {
			return true, true
		}
	}
	return calling, calling && !slices.ContainsFunc(d.opt.targets(len(d.opt.People)), func(t target) bool { return d.links.working(t.channel) })
}
