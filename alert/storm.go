package alert

import (
	"cmp"
	"slices"
	"time"

	"dewline/alert/words"
	"dewline/configs"
	"dewline/rules"
)

// CauseSeveral is the cause of a notice that causes of their own share.
const CauseSeveral = words.CauseSeveral

const (
	// stormWithin is how close together what is told as one begins.
	stormWithin = 5 * time.Minute
	// stormFrom and stormAlike are how many causes of their own make a storm: of
	// any alarm, and of one alarm of probes or of rooms, which break alike.
	stormFrom  = 4
	stormAlike = 2
	// stormGrows is the wait before a storm that does not wake tells of its
	// growth; it doubles.
	stormGrows       = time.Minute
	mostStormWidened = 5
	// company is how long a wake alarm in a storm waits for others.
	company = 20 * time.Second
)

func (in *incident) several() bool { return in.Notice.Cause.Kind == CauseSeveral }

// ofItsOwn reports whether a cause explains no more than one thing.
func ofItsOwn(c rules.Cause) bool {
	return breadth(c) <= 1 && (c.Kind != rules.CauseDewline || c.ID != "")
}

// breaksAlike reports whether two causes of an alarm are one more likely than not.
func breaksAlike(c rules.Cause) bool {
	return c.Kind == rules.CauseProbe || c.Kind == rules.CauseDewline
}

// storm returns the notice in which t is told with what began just before it; nil
// where little did. What had a notice of its own comes under it.
func (d *Desk) storm(now time.Duration, t *rules.Transition) *incident {
	if !ofItsOwn(t.Cause) {
		return nil
	}
	g := group{cause: rules.Cause{Kind: CauseSeveral, ID: t.Priority.String()}}
	host := d.open[g]
	if host != nil && now-host.Grew < stormWithin && (host.numActive() >= stormFrom || host.tells(t.Key.Alarm)) {
		host.Grew = now
		return host
	}
	var with, alike []*incident
	for _, in := range d.incidents() {
		if in.aside() || in.Ended || !ofItsOwn(in.Notice.Cause) || now-in.Opened >= stormWithin ||
			!in.active() || (in.rank() >= wakeRank) != (t.Priority >= rules.Wake) {
			continue
		}
		if with = append(with, in); breaksAlike(t.Cause) && in.tells(t.Key.Alarm) {
			alike = append(alike, in)
		}
	}
	switch {
	case len(with)+1 >= stormFrom:
	case len(alike)+1 >= stormAlike:
		with = alike
	default:
		return nil
	}
	if host == nil {
		host = slices.MinFunc(with, func(a, b *incident) int { return cmp.Compare(a.Opened, b.Opened) })
		d.shut(host)
		host.Notice.Cause, host.Grown = g.cause, 0
		d.open[g] = host
	}
	host.Grew, host.touched = now, true
	for _, in := range with {
		if in != host {
			d.absorb(in, host)
		}
	}
	return host
}

func (in *incident) numActive() (n int) {
	for i := range in.Notice.Members {
		if counts(&in.Notice.Members[i]) {
			n++
		}
	}
	return n
}

// tells reports whether an alarm of that kind is active under in.
func (in *incident) tells(a rules.AlarmID) bool {
	return slices.ContainsFunc(in.Notice.Members, func(m Member) bool { return counts(&m) && m.Key.Alarm == a })
}

// A Share is what a probe hangs on beside its enclosure, the narrowest first.
type Share struct{ Kind, Name string }

// The kinds of a Share.
const (
	shareBus    = "bus"
	shareBroker = "broker"
	shareBoard  = "board"
)

// sharesOf lists for each probe what it shares with others.
func sharesOf(cfg *configs.Config) map[string][]Share {
	all := make(map[string][]Share, len(cfg.Probes))
	for _, p := range cfg.Probes {
		switch {
		case p.Topic != "":
			all[p.ID] = []Share{{shareBroker, cfg.MQTT.Broker}}
		case p.Bus != "":
			all[p.ID] = []Share{{shareBus, p.Bus}, {shareBoard, cfg.Room.ID}}
		default:
			all[p.ID] = []Share{{shareBoard, cfg.Room.ID}}
		}
	}
	return all
}

// shared returns what all the probes of a storm hang on, nil where they have
// nothing in common or are no probes.
func (d *Desk) shared(in *incident) *words.Shared {
	if !in.several() {
		return nil
	}
	var common []Share
	var probes []string
	for i := range in.Notice.Members {
		m := &in.Notice.Members[i]
		if !counts(m) || slices.Contains(probes, m.Key.Subject) {
			continue
		}
		own := d.opt.Shares[m.Key.Subject]
		if len(probes) == 0 {
			common = slices.Clone(own)
		}
		common = slices.DeleteFunc(common, func(c Share) bool { return !slices.Contains(own, c) })
		probes = append(probes, m.Key.Subject)
	}
	if len(common) == 0 || len(probes) < 2 {
		return nil
	}
	s := &words.Shared{Kind: common[0].Kind, Name: common[0].Name, Count: len(probes)}
	for _, own := range d.opt.Shares {
		if slices.Contains(own, common[0]) {
			s.Of++
		}
	}
	return s
}
