package room

import (
	"math"
	"slices"
	"time"

	"dewline/configs"
	"dewline/rules/alarm"
)

// Combine looks at every probe of the enclosure. Heat is judged on the hottest
// trustworthy one; the band on the one over the litter, where frogs live, or
// the median of what there is; the floor on the named one or the median. A
// probe that is silent, doubted or out of service takes no part.
func (v *View) Combine(en *Enclosure, now time.Duration) {
	if len(en.Probes) == 1 {
		v.combineOne(en, now)
		return
	}
	var temps [NumRanks]Few
	var hums Few
	p := &en.Now // in place: to copy what was just written makes the processor wait
	*p = Present{}
	named := false
	rules := &v.Cfg.Rules
	for _, i := range en.Probes {
		pr := &v.Probes[i]
		p.Gap = max(p.Gap, pr.Gap())
		st := &pr.St
		use := pr.Use(rules, now)
		p.Doubt = p.Doubt || use.Doubt
		if use.Temp {
			p.reach(int32(st.Temp), i)
			temps[RankOf(pr.Cfg.Place)].Add(int32(st.Temp))
		}
		if use.Hum && !named {
			if named = pr.Cfg.FloorProbe; named {
				hums.n = 0
			}
			hums.Add(int32(st.Hum))
			p.HumProbe = i
		}
		if st.HasLux {
			p.Lux, p.HasLux = st.Lux, true
		}
	}
	for i := range temps {
		if v, ok := temps[i].Median(); ok {
			p.Main = v
			break
		}
	}
	p.Hum, p.HasHum = hums.Median()
}

// combineOne is combine for the only probe of an enclosure.
func (v *View) combineOne(en *Enclosure, now time.Duration) {
	i := en.Probes[0]
	pr := &v.Probes[i]
	st := &pr.St
	use := pr.Use(&v.Cfg.Rules, now)
	t := int32(st.Temp)
	p := &en.Now
	*p = Present{}
	p.HasTemp, p.HasHum, p.Doubt, p.Gap, p.Lux, p.HasLux = use.Temp, use.Hum, use.Doubt, pr.Gap(), st.Lux, st.HasLux
	if use.Temp {
		p.Main, p.Hot, p.Cold, p.HotProbe = t, t, t, i
	}
	if use.Hum {
		p.Hum, p.HumProbe = int32(st.Hum), i
	}
}

// HotInput classifies the hottest trustworthy temperature.
func (v *View) HotInput(en *Enclosure, now time.Duration, limit, deadband int32) alarm.Input {
	in := alarm.Missing
	if en.Now.HasTemp {
		in = alarm.High(en.Now.Hot, limit, deadband)
	}
	if in == alarm.Back && en.Now.Doubt && v.anyDoubt(en, now, Upper, limit, deadband, false) {
		return alarm.Missing
	}
	return in
}

// MainInput classifies the temperature that the band is judged on.
func (v *View) MainInput(en *Enclosure, now time.Duration, d Side, limit, deadband int32) alarm.Input {
	if !en.Now.HasTemp {
		return alarm.Missing
	}
	in := d.Classify(en.Now.Main, limit, deadband)
	if in == alarm.Back && en.Now.Doubt && v.anyDoubt(en, now, d, limit, deadband, en.HasLitter) {
		return alarm.Missing
	}
	return in
}

// anyDoubt asks the probes, or only those in the litter, that take no part now.
func (v *View) anyDoubt(en *Enclosure, now time.Duration, d Side, limit, deadband int32, litterOnly bool) bool {
	return slices.ContainsFunc(en.Probes, func(i int) bool {
		p := &v.Probes[i]
		return (!litterOnly || p.Cfg.Place == configs.Litter) && p.InDoubt(&v.Cfg.Rules, now, d, limit, deadband)
	})
}

// StandsIn reports whether the floor is judged by another probe than the one
// that is named for it, because that one has nothing to say.
func (v *View) StandsIn(en *Enclosure) bool {
	return en.NamedFloor && en.Now.HasHum && !v.Probes[en.Now.HumProbe].Cfg.FloorProbe
}

// Abs is the absolute value.
func Abs[T ~int32](v T) T { return max(v, -v) }

// NextAge is when the next value that is still young enough will be too old, if
// nothing comes; now while a probe is lost whose silence is not told yet.
func (v *View) NextAge(now time.Duration) time.Duration {
	next := time.Duration(math.MaxInt64)
	for i := range v.Probes {
		p := &v.Probes[i]
		st := &p.St
		limit := p.SilentAfter(&v.Cfg.Rules)
		if now-p.HeardAt()-st.Unseen > limit && !p.Silent() {
			return now
		}
		for _, at := range [...]time.Duration{p.HeardAt() + st.Unseen, st.TempAt, st.HumAt} {
			if old := at + limit; old >= now {
				next = min(next, old)
			}
		}
	}
	return next
}

// WaitFor is how long the enclosure's probes are waited for after a start.
func (v *View) WaitFor(en *Enclosure) time.Duration {
	d := time.Duration(0)
	for _, i := range en.Probes {
		d = max(d, v.Probes[i].SilentAfter(&v.Cfg.Rules))
	}
	return min(d, 5*time.Minute)
}

// Gathering reports whether some probe of the enclosure has not spoken since
// the start: until then the others do not speak for all.
func (v *View) Gathering(en *Enclosure, now time.Duration) bool {
	if len(en.Probes) < 2 || now-v.Watched > v.WaitFor(en) {
		return false
	}
	return slices.ContainsFunc(en.Probes, func(i int) bool { return !v.Probes[i].Out && v.Probes[i].St.Last.Mono < v.Watched })
}

// Sources reports whether any probe of the enclosure has a trusted value that
// is not too old. A single missed reading is no lack of a source.
func (v *View) Sources(en *Enclosure, now time.Duration) (temp, hum bool) {
	for _, i := range en.Probes {
		p := &v.Probes[i]
		st := &p.St
		if p.Out || st.Frozen || st.Alone {
			continue
		}
		temp = temp || st.HasTemp && p.Fresh(&v.Cfg.Rules, now, st.TempAt)
		hum = hum || st.HasHum && p.Fresh(&v.Cfg.Rules, now, st.HumAt)
	}
	return temp, hum
}
