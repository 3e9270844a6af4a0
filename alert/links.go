package alert

import (
	"maps"
	"slices"
	"time"

	"dewline/rules"
	"dewline/sensors"
)

const (
	// refusalHolds is how long a channel that refused somebody counts as one that
	// will refuse them again, if nothing was tried since.
	refusalHolds = 10 * time.Minute
	// steadyAfter is how long a connection holds before its channel is no longer
	// down: one that comes for a second in each minute carries no warning.
	steadyAfter = time.Minute
)

// ChannelStats says how one channel does.
type ChannelStats struct {
	Pending   int           `json:"waiting"`
	OldestAge rules.Seconds `json:"oldest_seconds"` // of what is due and not taken over
	// Connected says whether there is a connection, or the last look at the
	// other side found somebody; nil for a channel that cannot be looked at.
	Connected   *bool         `json:"connected,omitempty"`
	DownWhy     string        `json:"down_why,omitempty"` // of not being connected
	LastSuccess rules.Moment  `json:"last_success,omitzero"`
	LastError   string        `json:"last_error,omitempty"`
	Failing     rules.Seconds `json:"failing_for_seconds"` // how long nothing has worked, 0 when well
	Sent        uint64        `json:"sent"`                // attempts
	Taken       uint64        `json:"taken"`               // confirmed
	Failed      uint64        `json:"failed"`
}

// Worked reports whether this run saw the channel work.
func (s *ChannelStats) Worked() bool {
	return !s.LastSuccess.Instant.IsZero() || s.Connected != nil && *s.Connected
}

// Links is how the channels do, in this run only.
type links struct {
	*call
	book    *book
	byName  map[string]*link
	faults  map[target]*fault // that last
	stalled []string          // in the call in progress, nil for not asked yet
}

func newLinks(c *call, b *book) *links {
	return &links{call: c, book: b, byName: make(map[string]*link), faults: make(map[target]*fault)}
}

type link struct {
	ChannelStats               // as counted; what depends on the moment is filled in by stats
	failingSince time.Duration // 0: the last attempt worked
	refused      bool          // the last error was no passing one
	known        bool          // it was said whether it is connected
	downSince    time.Duration // 0: well, also before anything is known
	upSince      time.Duration // 0: not connected; both are set until a connection has held
	upBefore     bool          // it was connected once
	stalled      bool
	unwell       time.Duration // last time that it was seen in trouble
}

// A fault is what a channel does to a person since it last worked for them.
type fault struct {
	tries   int
	refused bool // the last time, which was at
	at      time.Duration
}

func (l *links) of(channel string) *link {
	c := l.byName[channel]
	if c == nil {
		c = &link{}
		l.byName[channel] = c
	}
	return c
}

// state takes in why a channel is not connected, nil where it is. It reports whether
// it is so again, and whether it was ever before.
func (l *links) state(channel string, down error) (again, before bool) {
	c := l.of(channel)
	c.known = true
	switch {
	case down != nil:
		c.upSince, c.DownWhy = 0, down.Error()
		if c.downSince == 0 {
			c.downSince = max(l.now.Mono, 1)
		}
	case c.upSince == 0:
		again, before = true, c.upBefore
		c.upSince, c.upBefore = max(l.now.Mono, 1), true
	}
	return again, before
}

func (l *links) works(channel string) {
	c := l.of(channel)
	c.LastSuccess, c.LastError, c.failingSince, c.refused = rules.Moment{Instant: l.now}, "", 0, false
	c.Taken++
	if c.known && c.upSince == 0 {
		c.upSince = max(l.now.Mono, 1)
	}
}

// mended ends a person's fault and returns after how many tries, 0 for none.
func (l *links) mended(t target) (tries int) {
	if f := l.faults[t]; f != nil {
		tries = f.tries
		delete(l.faults, t)
	}
	return tries
}

// fails records a failed attempt, and reports whether the fault is a new one: a
// steady fault makes one line.
func (l *links) fails(t target, refused bool, why string) (news bool) {
	c := l.of(t.channel)
	c.Failed++
	if c.failingSince == 0 {
		c.failingSince = l.now.Mono
	}
	c.LastError, c.refused = why, refused
	f := l.faults[t]
	if news = f == nil || f.refused != refused; f == nil {
		f = &fault{}
		l.faults[t] = f
	}
	f.tries, f.refused, f.at = f.tries+1, refused, l.now.Mono
	return news
}

// anew forgets what a channel refused: it was built anew.
func (l *links) anew(channel string) {
	l.of(channel).refused = false
	maps.DeleteFunc(l.faults, func(t target, _ *fault) bool { return t.channel == channel })
}

// failing reports whether nothing worked on a channel since it last failed.
func (l *links) failing(channel string) bool { return l.of(channel).failingSince > 0 }

// dead reports whether a channel is known not to work for somebody: it is
// disconnected, refuses them, which need not be so for others, or is stalled.
func (l *links) dead(t target) bool {
	if l.stalled == nil {
		l.stalled = append([]string{}, l.stalledAt(l.now)...)
	}
	c, f := l.of(t.channel), l.faults[t]
	return c.downSince > 0 && c.upSince == 0 || f != nil && f.refused && l.now.Mono-f.at < refusalHolds || slices.Contains(l.stalled, t.channel)
}

// working reports whether nothing is known against a channel now. One that was
// stalled works once it takes something over again.
func (l *links) working(channel string) bool {
	c := l.of(channel)
	return c.failingSince == 0 && (c.downSince == 0 || c.upSince > 0)
}

func (l *links) stats(now sensors.Instant) map[string]ChannelStats {
	all := make(map[string]ChannelStats)
	for _, name := range l.opt.channels() {
		all[name] = l.of(name).stats(now)
	}
	for _, p := range l.book.parcels() {
		if c, ok := all[p.Channel]; ok && (p.State == due || p.State == out) {
			c.Pending++
			c.OldestAge = max(c.OldestAge, rules.Seconds(now.Mono-p.DueSince))
			all[p.Channel] = c
		}
	}
	return all
}

func (l *link) stats(now sensors.Instant) ChannelStats {
	if l.upSince > 0 && now.Mono-l.upSince >= steadyAfter { // the connection has held
		l.downSince = 0
	}
	s, up := l.ChannelStats, l.upSince > 0
	if l.known {
		s.Connected = &up
	}
	if up {
		s.DownWhy = ""
	}
	for _, since := range []time.Duration{l.failingSince, l.downSince} {
		if since > 0 {
			s.Failing = max(s.Failing, rules.Seconds(now.Mono-since))
		}
	}
	return s
}

// stalledAt lists the channels that are stalled, see Desk.StalledChannels.
func (l *links) stalledAt(now sensors.Instant) (stalled []string) {
	stats := l.stats(now)
	for _, name := range slices.Sorted(maps.Keys(stats)) {
		if l.of(name).stalls(now, stats[name]) {
			stalled = append(stalled, name)
		}
	}
	return stalled
}

// stalls follows whether a channel is stalled: nothing works for so long.
func (l *link) stalls(now sensors.Instant, s ChannelStats) bool {
	long := func(since time.Duration) bool { return now.Mono-since >= stallAfter }
	// The last attempt failed and there is more to send, or no sense in it.
	fails := l.failingSince > 0 && (s.Pending > 0 || l.refused)
	l.stalled = l.stalled || l.downSince > 0 && long(l.downSince) || fails && long(l.failingSince) ||
		s.OldestAge.D() >= stallAfter && long(l.LastSuccess.Mono)
	if l.downSince > 0 || s.OldestAge.D() > time.Minute || fails {
		l.unwell = now.Mono
	} else if long(l.unwell) {
		l.stalled = false
	}
	return l.stalled
}

func (l *links) shift(by time.Duration) {
	for _, c := range l.byName {
		c.shift(by)
	}
	for _, f := range l.faults {
		f.at += by
	}
}

func (l *link) shift(by time.Duration) {
	if !l.LastSuccess.Instant.IsZero() {
		l.LastSuccess.Mono += by
	}
	for _, t := range []*time.Duration{&l.failingSince, &l.downSince, &l.upSince, &l.unwell} {
		if *t != 0 {
			*t += by
		}
	}
}
