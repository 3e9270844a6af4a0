package core

import (
	"fmt"
	"maps"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"dewline/alert"
	"dewline/configs"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/rules/event"
	"dewline/sensors"
)

// A rack is a core whose rooms a random test heats, cools, answers and shelves.
type rack struct {
	t    *testing.T
	rng  *rand.Rand
	core *Core
	disk disk
	now  sensors.Instant
	temp map[string]float64
	ids  map[string]bool // of notices that were raised, and onsets
	rang map[string]int  // sendings after which nobody asked
}

func (r *rack) keep(fx Effects) {
	r.t.Helper()
	r.disk.keep(fx)
	for _, e := range fx.Events {
		if a, ok := e.Body.(event.Alarm); ok && a.From == "NORM" {
			if r.ids[a.ID()] {
				r.t.Fatalf("onset %s began twice", a.ID())
			}
			r.ids[a.ID()] = true
		}
	}
	for _, s := range fx.Send {
		r.rang[s.NoticeID]++
		r.keep(r.core.Result(r.now, alert.SendResult{Delivery: s.ID, Version: s.Version, Attempt: s.Attempt}))
	}
}

func (r *rack) poll(cfg *configs.Config) {
	r.now = r.now.Add(10 * time.Second)
	for _, p := range cfg.Probes {
		temp, ok := r.temp[p.Enclosure]
		if !ok {
			temp = 24
		}
		r.keep(r.core.Reading(reading(p.ID, temp, r.now)))
	}
	r.keep(r.core.Tick(r.now))
}

func reading(probe string, celsius float64, at sensors.Instant) sensors.Reading {
	return sensors.Reading{
		Probe: sensors.ProbeID(probe), At: at, Quality: sensors.Good,
		Has: sensors.HasTemperature | sensors.HasHumidity, Temperature: sensors.CelsiusOf(celsius), Humidity: sensors.PercentOf(85),
	}
}

// live passes some random minutes.
func (r *rack) live(cfg *configs.Config, minutes int) {
	for range minutes {
		e := cfg.Enclosures[r.rng.IntN(len(cfg.Enclosures))].ID
		switch r.rng.IntN(6) {
		case 0, 1:
			r.temp[e] = 31
		case 2:
			r.temp[e] = 24
		case 3:
			for _, v := range r.core.desk.Open() {
				fx, err := r.core.AcknowledgeNotice(r.now, v.Notice.ID, v.Notice.Version, "keeper", "")
				if err == nil {
					r.keep(fx)
				}
				break
			}
		case 4:
			if r.rng.IntN(4) != 0 {
				break
			}
			fx, err := r.core.Act(r.now, rules.Action{Kind: rules.TakeOut, Key: alarm.Key{Subject: e}, By: "keeper", For: 6 * time.Hour})
			if err == nil {
				r.keep(fx)
			}
		}
		for range 6 {
			r.poll(cfg)
		}
	}
}

// open returns what is not NORM.
func (r *rack) open() map[alarm.Key]rules.AlarmView {
	m := map[alarm.Key]rules.AlarmView{}
	for _, v := range r.core.Open() {
		m[v.Key] = v
	}
	return m
}

// Random lives of two runs, the first of which comes to light late: no open alarm
// is lost, no number had twice, nothing answered rings, and everything that an
// alarm was told by stands under one notice.
func TestMergeOfRandomLives(t *testing.T) {
	lives := uint64(10)
	if longChecks() {
		lives = 60
	}
	for seed := range lives {
		t.Run(fmt.Sprint(seed), func(t *testing.T) { mergeOnce(t, seed) })
	}
}

func mergeOnce(t *testing.T, seed uint64) {
	cfg := roomOf(t, 4, "10 s", "00:00-23:59")
	r := &rack{t: t, rng: rand.New(rand.NewPCG(seed, 9)), core: New(cfg, nil), disk: disk{}, temp: map[string]float64{}, ids: map[string]bool{}, rang: map[string]int{}}
	r.core.Start(1000 + seed)
	r.now = sensors.Instant{Mono: time.Second, Wall: time.Date(2026, 5, 1, 12, 0, 0, 0, time.UTC), Synced: true}
	r.live(cfg, 10+r.rng.IntN(40))
	before := r.open()
	state, err := r.core.State()
	if err != nil {
		t.Fatal(err)
	}
	saved, past := r.disk.saved(state), r.now.Mono

	r.core, r.disk = New(cfg, nil), disk{}
	r.core.Start(500_000 + seed)
	r.now.Mono = time.Second
	r.now.Wall = r.now.Wall.Add(time.Minute)
	r.live(cfg, r.rng.IntN(20))
	mine := r.open()

	var latest []sensors.Reading
	r.now.Mono += past
	for _, p := range cfg.Probes {
		temp, ok := r.temp[p.Enclosure]
		if !ok {
			temp = 24
		}
		latest = append(latest, reading(p.ID, temp, r.now))
	}
	clear(r.rang)
	fx, err := r.core.Merge(r.now, past, saved, latest)
	if err != nil {
		t.Fatal(err)
	}
	told := map[string]bool{}
	for _, v := range r.core.desk.Open() {
		told[v.Notice.ID] = v.Acknowledged
	}
	for _, s := range fx.Send {
		if told[s.NoticeID] && s.Kind == alert.Raise {
			t.Errorf("notice %s is answered and goes out at the merge", s.NoticeID)
		}
	}
	r.keep(fx)
	after := r.open()
	for k, v := range before {
		w, ok := after[k]
		if !ok && v.State != alarm.RTNUN {
			t.Errorf("%v of the record is lost: it was %s", k, v.State)
		}
		if ok && w.Seq < v.Seq {
			t.Errorf("%v was onset %d and is %d", k, v.Seq, w.Seq)
		}
		if v.State == alarm.OutOfService && ok && w.State != alarm.OutOfService {
			t.Errorf("%v was out of service and is %s", k, w.State)
		}
	}
	for k, v := range mine {
		if w, ok := after[k]; !ok || w.Seq < v.Seq {
			t.Errorf("%v of this run is onset %d after onset %d", k, w.Seq, v.Seq)
		}
		if v.State == alarm.Acked && after[k].State == alarm.Unack {
			t.Errorf("%v was answered in this run and rings", k)
		}
	}
	r.agree(after)
	r.live(cfg, 30)
	r.cool(cfg)
}

// agree asks that every alarm that tells is a member of exactly one open notice,
// under the same number.
func (r *rack) agree(open map[alarm.Key]rules.AlarmView) {
	r.t.Helper()
	n := map[alarm.Key]int{}
	for _, v := range r.core.desk.Open() {
		for _, m := range v.Notice.Members {
			if !m.Active() {
				continue
			}
			n[m.Key]++
			if w, ok := open[m.Key]; !ok || w.Seq != m.Seq {
				r.t.Errorf("notice %s tells of %v onset %d, which is %d", v.Notice.ID, m.Key, m.Seq, w.Seq)
			}
		}
	}
	for k, v := range open {
		if v.State.Annunciated() && v.Priority > alarm.Note && n[k] != 1 {
			r.t.Errorf("%v, %s, stands under %d open notices", k, v.State, n[k])
		}
	}
}

// cool lets everything end: nothing may stay behind.
func (r *rack) cool(cfg *configs.Config) {
	clear(r.temp)
	for range 60 * 6 {
		r.poll(cfg)
	}
	for _, k := range slices.Collect(maps.Keys(r.open())) {
		if v := r.open()[k]; v.State.Annunciated() && k.Alarm != alarm.Exposure && k.Alarm != alarm.ProbeDisagrees { // which take hours
			r.t.Errorf("%v is %s an hour after it cooled", k, v.State)
		}
	}
}

// Three runs whose commits all failed each tell of a lethal event of their own:
// no two have one onset, one notice or one attempt's id in common.
func TestOnsetsOfRunsThatKeptNothing(t *testing.T) {
	cfg := roomOf(t, 4, "10 s", "00:00-23:59")
	seen := map[string]int{}
	for run := range 3 {
		r := &rack{t: t, rng: rand.New(rand.NewPCG(1, 1)), core: New(cfg, nil), disk: disk{}, temp: map[string]float64{}, ids: map[string]bool{}, rang: map[string]int{}}
		r.core.Start(1 + rand.Uint64N(1<<20))
		r.now = sensors.Instant{Mono: time.Second, Wall: time.Date(2026, 5, 1, 12, run, 0, 0, time.UTC), Synced: true}
		r.poll(cfg)
		r.temp["e0001"] = 31
		r.poll(cfg)
		r.poll(cfg)
		for _, id := range slices.Concat(slices.Collect(maps.Keys(r.ids)), slices.Collect(maps.Keys(r.rang))) {
			if was, ok := seen[id]; ok && was != run {
				t.Errorf("run %d and run %d both speak of %s", was, run, id)
			}
			seen[id] = run
		}
	}
	if len(seen) < 3 {
		t.Errorf("the runs spoke of %v", seen)
	}
}
