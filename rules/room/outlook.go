package room

import (
	"math"
	"time"

	"dewline/rules/alarm"
	"dewline/rules/climate"
	"dewline/sensors"
)

// RangeOf turns a forecast into whole minutes, nil where nothing can be said.
func RangeOf(t climate.Eta) *alarm.Range {
	if !t.Known {
		return nil
	}
	return &alarm.Range{FromMinutes: math.Round(t.From.Minutes()), ToMinutes: math.Round(t.To.Minutes())}
}

// GainOf is RangeOf for time won, nil where it is not worth a word.
func GainOf(t climate.Eta) *alarm.Range {
	if r := RangeOf(t); r != nil && r.ToMinutes >= 5 {
		return r
	}
	return nil
}

// Climbs in °C/h is the least rise that a forecast is made of: slower ones turn
// before they get anywhere.
const Climbs = 0.3

// What a mist does to a rise, seen in simulated rooms: the air falls by up to
// mistCools while it evaporates, and comes back within the next hour or two.
const (
	mistCools   = 0.8 // °C
	mistReturns = 0.4 // °C that may still come back by itself
	mistFades   = 90 * time.Minute
)

// explained keeps what is won by turning the lamps off to what their warmth explains:
// no more time than the rise takes for as many degrees as take has gone when the limit is
// reached then, each end of the range by that of without, at what the rise may be.
func explained(won, without climate.Eta, take func(time.Duration) float64, s climate.Slope) climate.Eta {
	if !won.Known || s.PerHour <= 0 {
		return climate.Eta{}
	}
	most := func(left time.Duration, rate float64) (d time.Duration) {
		for range explainedSteps {
			d = min(takes(take(left+d), rate), climate.Horizon)
		}
		return d
	}
	won.From = min(won.From, most(without.From, s.PerHour+s.Sigma))
	won.Mid = min(won.Mid, most(without.Mid, s.PerHour))
	to := most(without.To, s.PerHour)
	won.Open = won.Open && to >= climate.Horizon
	won.To = min(won.To, to)
	return won
}

// explainedSteps of a sum that grows to what is won are near enough to it, and below.
const explainedSteps = 12

// The figures of a rise that goes on, this project's own, tuned on the tuned half of
// rules/corpus and on the rooms of heats_test.go.
const (
	straightEarly = 0.75      // of the time at the present rate: rises steepen
	straightSlack = 0.85      // of the middle, which is no surer than that
	straightRaces = 0.5       // the same behind a probe that only begins to show a steep one
	straightMid   = 1.5       // of it, in the middle, where a model expects none of a steep one
	straightSoon  = time.Hour // that a rise nobody expects may take
	straightSure  = 3.0       // standard deviations of such a rise
	straightLeast = 1.5       // °C/h of it
	straightLooks = 2         // readings until one shows it
	straightSpan  = 5         // part of the time that a rate was taken over, in which one that is not steep may have slowed down
	straightLate  = 1.5       // times it, where the room or the model says what drives it
	straightOwn   = 2.5       // the same where nobody knows what does, and it may level off
	straightYoung = 0.8       // of the rate was that of the half hour: it has just begun
	straightRoom  = 0.6       // of the rate is the room's where that drives it

	// The air is no further from the last reading than that, standard deviations and °C.
	nearNoise = 3.0
	nearLeast = 0.05
)

// A rise is how an enclosure warms.
type rise struct {
	climate.Slope
	noise  float64       // °C by which a reading strays
	shows  time.Duration // until a reading shows what is there
	lately float64       // °C/h of the last half hour, in which a source that heats in steps may just rest
	room   float64       // °C/h of the room; 0 where it does not clearly rise
	known  float64       // °C/h of it that the model explains
	steep  bool
	ends   climate.Bend // where it slows down
}

// takes is how long so many °C take at a rate.
func takes(way, rate float64) time.Duration {
	return time.Duration(max(0, way) / rate * float64(time.Hour))
}

// young reports whether a rise is not half an hour old.
func (s rise) young() bool { return s.Span < time.Hour && s.lately < straightYoung*s.PerHour }

// clear reports whether a rise that no model expects to get there is one.
func (s rise) clear(rate float64) bool { return rate >= max(straightLeast, straightSure*s.Sigma) }

// straight lets a forecast hold what a rise that goes straight on would do, and end where
// one that slows down would: a heat source that a model does not know need not level off,
// and what it thinks possible is wider than what rises do. way is to the first reading at
// the limit.
func straight(t climate.Eta, way float64, s rise) climate.Eta {
	if way <= 0 || s.PerHour < Climbs {
		return t
	}
	known := t
	if now := takes(way, s.PerHour); !t.Known {
		if !s.clear(s.PerHour) || now > straightSoon {
			return t
		}
		t = climate.Eta{Known: true, From: now, Mid: climate.Horizon, To: climate.Horizon, Open: true}
	}
	t.Mid = s.middle(t.Mid, way)
	t.From = min(t.From, s.earliest(way))
	t.To = min(s.latest(known, way), climate.Horizon)
	t.Open = t.To >= climate.Horizon
	t.Mid = max(t.Mid, t.From)
	t.From = min(t.From, time.Duration(straightSlack*float64(t.Mid)))
	return t
}

// middle is when a rise gets there. Where the model does not explain it, one that is
// steep, or that has held for half an hour and does not slow down, is taken to get there
// in time to wake somebody; no other: an enclosure warms up like that when its door is
// shut again.
func (s rise) middle(model time.Duration, way float64) time.Duration {
	if s.steep || !s.young() && s.clear(s.PerHour-s.known) && s.ends.Reaches(way) {
		return min(model, time.Duration(straightMid*float64(takes(way, s.PerHour))))
	}
	return model
}

// earliest is when a rise gets there that grows steeper.
func (s rise) earliest(way float64) time.Duration {
	early := straightEarly
	if s.young() && s.steep {
		early = straightRaces
	}
	return time.Duration(early * float64(takes(way-s.noise, max(s.PerHour+s.Sigma, s.lately))))
}

// latest is when a rise gets there that goes on more slowly, or as it has begun to slow
// down; the horizon, where it may end before.
func (s rise) latest(model climate.Eta, way float64) time.Duration {
	out := straightOwn
	if s.room >= straightRoom*s.PerHour || model.Known && !model.Open && !s.young() {
		out = straightLate
	}
	late := time.Duration(out*float64(takes(way+s.noise, s.PerHour))) + s.shows
	if model.Known {
		late = max(late, model.Mid)
	}
	return max(late, s.ends.Takes(way)+s.shows)
}

// Rise is how fast the enclosure warms: by its trend, or by what is steeper of late.
func (en *Enclosure) Rise() (slope climate.Slope, isSteep, ok bool) {
	slope, ok = en.St.Trend.Slope()
	steep, isSteep := en.St.Trend.Steep()
	if isSteep && steep > slope.PerHour {
		return climate.Slope{PerHour: steep, Sigma: steep / 4, Value: float64(en.Now.Hot) / 100}, true, true
	}
	if !ok || slope.Sigma < riseUnsure {
		return slope, isSteep, ok
	}
	// Coarse and noisy readings show a slow rise only over longer.
	long, seen := en.St.Thermal.Lately(&en.St.Trend)
	if seen && math.Abs(long.PerHour-slope.PerHour) <= 2*slope.Sigma {
		slope.PerHour, slope.Sigma, slope.Span = long.PerHour, long.Sigma, long.Span
	}
	return slope, isSteep, ok
}

// MayBeSteep reports whether Rise may be steep, which is sooner known than Rise.
func (en *Enclosure) MayBeSteep() bool {
	return en.St.Trend.MayBeSteep() || en.St.Thermal.MayBeSteep()
}

// riseUnsure in °C/h is the uncertainty of a rate from which on a longer one is asked.
const riseUnsure = Climbs

// Forecast fills what is ahead of the enclosure, by its slope, which is steep or not.
func (v *View) Forecast(en *Enclosure, now sensors.Instant, slope climate.Slope, steep bool) {
	o := climate.Outlook{
		At: v.EstAt(now.Mono), Air: float64(en.Now.Hot) / 100, Noise: en.St.Trend.Blur(), Trend: slope, HasTrend: true,
		Lethal: float64(en.Limits.Lethal) / 100, Every: v.Probes[en.Now.HotProbe].St.Interval,
	}
	if t, ok := v.RoomTemp(now.Mono); ok {
		o.Room, o.HasRoom = float64(t)/100, true
		o.RoomTrend, o.HasRoomTrend = v.Air.Trend.Slope()
	}
	if l := v.LampsOf(en); l != nil {
		o.LampsOn = l.On
		l.Coming(now, v.Loc)
		o.LampChanges = l.coming[:l.numComing]
	}
	en.St.Ahead = foretell(en.St.Thermal, &en.St.Trend, &o, steep)
	en.St.Ahead.At = now.Mono
	v.allowForMist(en, &en.St.Ahead.ToLethal, o.Lethal-o.Air-o.Noise, now)
}

// foretell is what a model and the rise together make of what is ahead, from o, whose
// trend is steep or not.
func foretell(m *climate.Thermal, trend *climate.Trend, o *climate.Outlook, steep bool) (a Ahead) {
	if t, ok := trend.Now(o.At); ok && !steep {
		// What rises and falls by turns is not where its last rise leads to.
		near := nearNoise*o.Noise + nearLeast
		o.Air = min(max(t, o.Air-near), o.Air+near)
	}
	f, ok := m.Forecast(*o)
	if !ok {
		return a
	}
	way := o.Lethal - o.Air - o.Noise
	a.Learned = f.Learned
	lately, _ := trend.Change()
	r := rise{Slope: o.Trend, noise: o.Noise, shows: straightLooks * o.Every, lately: 2 * lately, steep: steep, known: f.Rate, ends: m.Bend(trend, o.Every)}
	if !steep {
		r.shows = max(r.shows, o.Trend.Span/straightSpan)
	}
	r.shows += SlowEvery
	if o.HasRoomTrend && o.RoomTrend.Rises(0) {
		r.room = o.RoomTrend.PerHour
	}
	a.ToLethal = straight(f.Lethal, way, r)
	if f.Learned {
		a.LampsOff = explained(f.LampsOff, a.ToLethal, m.LampsTake, o.Trend)
	}
	return a
}

// allowForMist widens a forecast: to the early side after a mist, whose cooling
// ends nobody knows how soon, to the late side when one is due before.
func (v *View) allowForMist(en *Enclosure, t *climate.Eta, way float64, now sensors.Instant) {
	if !t.Known || t.Mid <= 0 || way <= 0 {
		return
	}
	perDegree := time.Duration(float64(min(t.Mid, t.To)) / way) // at the mean rate ahead
	if en.Misted(now.Mono, mistFades) {
		t.From = time.Duration(float64(t.From) * max(0, 1-mistReturns/way))
	}
	if en.Mist < 0 || t.Open {
		return
	}
	next := v.Mists[en.Mist].St.Next
	if due := next.Sub(now.Wall); now.Synced && !next.IsZero() && due < t.To {
		t.To += time.Duration(mistCools * float64(perDegree))
		if t.To >= climate.Horizon {
			t.To, t.Open = climate.Horizon, true
		}
	}
}
