package alert

import (
	"cmp"
	"slices"
	"time"

	"dewline/alert/words"
	"dewline/rules"
	"dewline/rules/alarm"
)

const (
	// stormWithin is how close together what is told as one begins.
	stormWithin = 5 * time.Minute
	// stormFrom and stormAlike are how many causes of their own make a storm: of
	// any alarm, and of one alarm of probes or of rooms, which break alike.
	stormFrom  = 4
	stormAlike = 2
)

// storm returns the notice in which t is told with what began just before it; nil
// where little did. What had a notice of its own comes under it.
func (b *book) storm(t *rules.Transition) *incident {
	if !ofItsOwn(t.Cause) {
		return nil
	}
	now := b.now.Mono
	g := group{cause: alarm.Cause{Kind: CauseSeveral, ID: t.Priority.String()}}
	host := b.open[g]
	if host != nil && now-host.Grew < stormWithin && (host.numActive() >= stormFrom || host.tells(t.Key.Alarm)) {
		host.Grew = now
		return host
	}
	with := b.together(t)
	if len(with) == 0 {
		return nil
	}
	if host == nil {
		host = slices.MinFunc(with, func(x, y *incident) int { return cmp.Compare(x.Opened, y.Opened) })
		b.shut(host)
		host.Notice.Cause, host.Grown = g.cause, 0
		b.open[g] = host
	}
	host.Grew, host.touched = now, true
	for _, in := range with {
		if in != host {
			b.absorb(in, host)
		}
	}
	return host
}

// together are the notices that make a storm with t, none where they are too few.
func (b *book) together(t *rules.Transition) []*incident {
	with := slices.DeleteFunc(slices.Clone(b.list()), func(in *incident) bool {
		return in.aside() || in.Ended || !ofItsOwn(in.Notice.Cause) || b.now.Mono-in.Opened >= stormWithin ||
			!in.active() || (in.rank() >= wakeRank) != (t.Priority >= alarm.Wake)
	})
	if len(with)+1 >= stormFrom {
		return with
	}
	// Probes and rooms break alike: of one cause more likely than not.
	if t.Cause.Kind != alarm.CauseProbe && t.Cause.Kind != alarm.CauseDewline {
		return nil
	}
	alike := slices.DeleteFunc(with, func(in *incident) bool { return !in.tells(t.Key.Alarm) })
	if len(alike)+1 < stormAlike {
		return nil
	}
	return alike
}

// shared returns what all the probes of a storm hang on, nil where they have
// nothing in common or are no probes.
func (o *Options) shared(in *incident) *words.Shared {
	if !in.several() {
		return nil
	}
	var common []Share
	var probes []string
	for m := range in.Notice.each() {
		if !counts(m) || slices.Contains(probes, m.Key.Subject) {
			continue
		}
		own := o.Shares[m.Key.Subject]
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
	for _, own := range o.Shares {
		if slices.Contains(own, common[0]) {
			s.Of++
		}
	}
	return s
}
