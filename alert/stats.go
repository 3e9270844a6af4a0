package alert

import (
	"cmp"
	"maps"
	"slices"
	"time"

	"dewline/sensors"
)

// A NoticeView is a snapshot of one open notice for pages and APIs.
type NoticeView struct {
	Notice       Notice        `json:"notice"`
	Message      Message       `json:"message"` // in the first person's units
	Acknowledged bool          `json:"acknowledged"`
	Told         []string      `json:"told"`                  // people, in order
	NextRepeat   time.Duration `json:"next_repeat,omitempty"` // running time
}

// Open returns the notices that have not ended, worst first; drills are left
// out.
func (d *Desk) Open() []NoticeView {
	var out []NoticeView
	for _, in := range d.incidents() {
		if in.Ended || in.aside() || !in.active() {
			continue
		}
		v := NoticeView{
			Notice: in.Notice, Message: Render(in.Notice, d.opt.People[0].Units),
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
	slices.SortStableFunc(out, func(a, b NoticeView) int {
		if c := cmp.Compare(b.Notice.Priority, a.Notice.Priority); c != 0 {
			return c
		}
		return a.Notice.Since.Compare(b.Notice.Since)
	})
	return out
}

// ChannelStats says how one channel does.
type ChannelStats struct {
	Pending     int             `json:"pending"`
	OldestAge   time.Duration   `json:"oldest_age"` // of what is due and not taken over
	LastSuccess sensors.Instant `json:"last_success,omitzero"`
	LastError   string          `json:"last_error,omitempty"`
	Failing     time.Duration   `json:"failing,omitempty"` // how long nothing has worked, 0 when well
	Sent        uint64          `json:"sent"`              // attempts
	Taken       uint64          `json:"taken"`             // confirmed
	Failed      uint64          `json:"failed"`
	// Connected says whether there is a connection, or the last look at the
	// other side found somebody; nil for a channel that cannot be looked at.
	Connected *bool  `json:"connected,omitempty"`
	DownWhy   string `json:"down_why,omitempty"` // of not being connected
}

// Stats says how delivery does.
type Stats struct {
	Depth     int                     `json:"depth"` // deliveries not taken over yet, held ones included
	OldestAge time.Duration           `json:"oldest_age"`
	OpenWake  int                     `json:"open_wake"` // unacknowledged
	Open      int                     `json:"open"`
	Dropped   uint64                  `json:"dropped"`
	Channels  map[string]ChannelStats `json:"channels"`
}

// A link is what the Desk remembers of a channel, in this run only.
type link struct {
	lastSuccess  sensors.Instant
	lastError    string
	failingSince time.Duration // 0: the last attempt worked
	refused      bool          // the last error was no passing one
	failedAt     time.Duration // when it was
	known        bool          // it was said whether it is connected
	downSince    time.Duration // 0: well, also before anything is known
	upSince      time.Duration // 0: not connected; both are set until a connection has held
	upBefore     bool          // it was connected once
	downWhy      string
	sent, taken  uint64
	failed       uint64
	stalled      bool
	unwell       time.Duration // last time that it was seen in trouble
}

func (d *Desk) link(channel string) *link {
	l := d.links[channel]
	if l == nil {
		l = &link{}
		d.links[channel] = l
	}
	return l
}

// steadyAfter is how long a connection holds before its channel is no longer
// down: one that comes for a second in each minute carries no warning.
const steadyAfter = time.Minute

// settle ends the time down of a channel whose connection has held.
func (l *link) settle(now sensors.Instant) {
	if l.upSince > 0 && now.Mono-l.upSince >= steadyAfter {
		l.downSince, l.downWhy = 0, ""
	}
}

// channels names every channel that anybody is reached by or that is to be
// connected in any case, sorted.
func (d *Desk) channels() []string {
	set := make(map[string]bool)
	for _, p := range d.opt.People {
		for _, c := range p.Channels {
			set[c] = true
		}
	}
	for _, c := range d.opt.Connect {
		set[c] = true
	}
	return slices.Sorted(maps.Keys(set))
}

// Stats returns the figures at now.
func (d *Desk) Stats(now sensors.Instant) Stats {
	s := Stats{Dropped: d.dropped, Channels: make(map[string]ChannelStats)}
	for _, c := range d.channels() {
		l := d.link(c)
		cs := ChannelStats{LastSuccess: l.lastSuccess, LastError: l.lastError, Sent: l.sent, Taken: l.taken, Failed: l.failed}
		l.settle(now)
		if l.known {
			up := l.upSince > 0
			cs.Connected = &up
			if !up {
				cs.DownWhy = l.downWhy
			}
		}
		if l.failingSince > 0 {
			cs.Failing = now.Mono - l.failingSince
		}
		if l.downSince > 0 {
			cs.Failing = max(cs.Failing, now.Mono-l.downSince)
		}
		s.Channels[c] = cs
	}
	for _, in := range d.byID {
		if !in.Ended && !in.aside() && in.active() {
			s.Open++
			if in.calling() {
				s.OpenWake++
			}
		}
		for _, p := range in.Out {
			s.count(now, p)
		}
	}
	return s
}

// count adds one parcel to the figures.
func (s *Stats) count(now sensors.Instant, p *parcel) {
	if p.State != due && p.State != out {
		return
	}
	s.Depth++
	age := max(now.Mono-p.DueSince, 0)
	s.OldestAge = max(s.OldestAge, age)
	cs := s.Channels[p.Channel]
	cs.Pending++
	cs.OldestAge = max(cs.OldestAge, age)
	s.Channels[p.Channel] = cs
}

// StalledChannels returns the channels that have taken nothing over for
// Options.StallAfter although something was due, or that have been down so
// long, sorted. One that flaps stays in the list until it has been well for
// as long.
func (d *Desk) StalledChannels(now sensors.Instant) []string {
	var stalled []string
	st := d.Stats(now)
	for _, c := range d.channels() {
		l, cs := d.link(c), st.Channels[c]
		l.stalled = l.stalled || d.stalls(now, l, cs)
		if l.downSince > 0 || cs.OldestAge > time.Minute || l.fails(cs) {
			l.unwell = now.Mono
		} else if now.Mono-l.unwell >= d.opt.StallAfter {
			l.stalled = false
		}
		if l.stalled {
			stalled = append(stalled, c)
		}
	}
	return stalled
}

// stalls reports whether a channel is stalled at this moment.
func (d *Desk) stalls(now sensors.Instant, l *link, cs ChannelStats) bool {
	long := func(since time.Duration) bool { return now.Mono-since >= d.opt.StallAfter }
	switch {
	case l.downSince > 0 && long(l.downSince):
		return true
	case cs.OldestAge >= d.opt.StallAfter && long(l.lastSuccess.Mono):
		return true
	default:
		return l.fails(cs) && long(l.failingSince)
	}
}

// fails reports whether the last attempt failed and there is more to send, or
// no sense in sending more.
func (l *link) fails(cs ChannelStats) bool {
	return l.failingSince > 0 && (cs.Pending > 0 || l.refused)
}
