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

// nearBy is the time at the present rate within which a steady rise is trusted
// not to halve.
const nearBy = 75 * time.Minute

// narrowed bounds the late end of a forecast from priors, which allow a rise to
// end in many ways, by what is seen: a steady rise that is to reach the limit
// soon will not have slowed to less than half by then.
func narrowed(t climate.Eta, way float64, s climate.Slope) climate.Eta {
	if !t.Known || way <= 0 || s.PerHour < Climbs || 4*s.Sigma > s.PerHour {
		return t
	}
	straight := time.Duration(way / s.PerHour * float64(time.Hour))
	late := max(2*straight, t.Mid*5/4)
	if straight <= nearBy && late < t.To {
		t.To, t.Open = late, false
	}
	return t
}

// explained keeps what is won by turning the lamps off to what their warmth explains:
// no more time than the rise takes for as many degrees as they add. Nothing is said
// of lamps that are not known yet.
func explained(t climate.Eta, lampGain float64, s climate.Slope) climate.Eta {
	if !t.Known || lampGain <= 0 || s.PerHour <= 0 {
		return climate.Eta{}
	}
	most := time.Duration(min(lampGain/s.PerHour, climate.Horizon.Hours()) * float64(time.Hour))
	t.Open = t.Open && t.From <= most
	t.From, t.Mid, t.To = min(t.From, most), min(t.Mid, most), min(t.To, most)
	return t
}

// The figures of a rise that goes straight on, this project's own, tuned on the
// tuned half of rules/corpus.
const (
	straightEarly = 0.75            // of the time at the present rate: rises steepen
	straightRaces = 0.5             // the same behind a probe that only begins to show a steep one
	straightLate  = 1.5             // of it, in the middle, where a model expects none
	straightSoon  = time.Hour       // that a rise nobody expects may take
	straightSure  = 3.0             // standard deviations of such a rise
	straightLeast = 1.5             // °C/h of it
	straightLooks = 5 * time.Minute // until the reading comes that shows it
	straightOut   = 2.0             // times it, where it slows down to a third on its way
	straightBare  = 3.0             // the same of what has more way to go than it came in half an hour, and no model
	straightYoung = 0.8             // of the rate was that of the half hour: it has just begun, and may soon end
)

// straight lets a forecast hold what a rise that goes straight on would do: a heat
// source that a model does not know need not level off. way is to the first reading at
// the limit, which strays by noise; lately is the rate in °C/h of the last half hour, in
// which a source that heats in steps may just rest.
//
// Where the model knows no end of it, only a steep one is taken to get there in time
// to wake somebody: an enclosure warms up like that when its door is shut again.
func straight(t climate.Eta, way, noise float64, s climate.Slope, lately float64, steep, learned bool) climate.Eta {
	if way <= 0 || s.PerHour < Climbs {
		return t
	}
	at := func(way, rate float64) time.Duration { return time.Duration(max(0, way) / rate * float64(time.Hour)) }
	now := at(way, s.PerHour)
	if !t.Known {
		if s.PerHour < max(straightLeast, straightSure*s.Sigma) || now > straightSoon {
			return t
		}
		t = climate.Eta{Known: true, From: now, Mid: climate.Horizon, To: climate.Horizon, Open: true}
	}
	if steep {
		t.Mid = min(t.Mid, time.Duration(straightLate*float64(now)))
	}
	young, early := lately < straightYoung*s.PerHour, straightEarly
	if young && steep {
		early = straightRaces
	}
	t.From = min(t.From, time.Duration(early*float64(at(way-noise, max(s.PerHour+s.Sigma, lately)))))
	out, far := straightOut, lately/2 < way
	if far && !learned {
		out = straightBare
	}
	t.To = max(t.To, time.Duration(out*float64(at(way+noise, s.PerHour)))+straightLooks)
	if far && young || t.To >= climate.Horizon {
		t.To, t.Open = climate.Horizon, true
	}
	t.Mid = min(max(t.Mid, t.From), t.To)
	return t
}

// Rise is how fast the enclosure warms: by its trend, or by what is steeper of late.
func (en *Enclosure) Rise() (slope climate.Slope, isSteep, ok bool) {
	slope, ok = en.St.Trend.Slope()
	steep, isSteep := en.St.Trend.Steep()
	if isSteep && steep > slope.PerHour {
		return climate.Slope{PerHour: steep, Sigma: steep / 4, Value: float64(en.Now.Hot) / 100}, true, true
	}
	return slope, isSteep, ok
}

// Forecast fills what is ahead of the enclosure, by its slope, which is steep or not.
func (v *View) Forecast(en *Enclosure, now sensors.Instant, slope climate.Slope, steep bool) {
	o := climate.Outlook{
		At: v.EstAt(now.Mono), Air: float64(en.Now.Hot) / 100, Noise: en.St.Trend.Noise(), Trend: slope, HasTrend: true,
		Lethal: float64(en.Limits.Lethal) / 100,
	}
	if t, ok := en.St.Trend.Now(o.At); ok && !steep {
		o.Air = t
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
	f, ok := en.St.Thermal.Forecast(o)
	en.St.Ahead = Ahead{At: now.Mono}
	if ok {
		en.St.Ahead = Ahead{At: now.Mono, ToLethal: f.Lethal, Learned: f.Learned}
		way := o.Lethal - o.Air - o.Noise
		if f.Learned {
			en.St.Ahead.LampsOff = explained(f.LampsOff, en.St.Thermal.LampGain(), slope)
		} else {
			en.St.Ahead.ToLethal = narrowed(f.Lethal, way, slope)
		}
		lately, _ := en.St.Trend.Change()
		en.St.Ahead.ToLethal = straight(en.St.Ahead.ToLethal, way, o.Noise, slope, 2*lately, steep, f.Learned)
		v.allowForMist(en, &en.St.Ahead.ToLethal, way, now)
	}
}

// allowForMist widens a forecast: to the early side after a mist, whose cooling
// ends nobody knows how soon, to the late side when one is due before.
func (v *View) allowForMist(en *Enclosure, t *climate.Eta, way float64, now sensors.Instant) {
	if !t.Known || t.Mid <= 0 || way <= 0 {
		return
	}
	perDegree := time.Duration(float64(t.Mid) / way) // at the mean rate ahead
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
