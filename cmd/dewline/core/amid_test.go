package core

import (
	"fmt"
	"maps"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"dewline/alert"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/sensors"
)

// An amid is a room in which reloads, restarts, backups that are put back, clock steps,
// drills, answers and silences come amid open alarms, and what a keeper may rely on all
// the same: lethal heat is named within a minute of a name, to whoever is first then, and
// again until it is answered; no answer covers what its version did not tell; no version
// comes to name more than it did.
type amid struct {
	*deskRig
	rng     *rand.Rand
	temps   map[string]int // hundredths, of glasses
	vine    bool           // the second glass has another name
	moved   bool           // the second probe of moss is in the other glass
	by      string         // una's channel
	alone   bool           // una is gone
	nights  bool           // odo is on duty from 13 to 19 h
	hot     map[string]*heat1
	cool    map[string]time.Time // a glass since
	real    time.Time
	sentAt  []time.Time
	names   map[string][]string // by a notice and its version
	backups []backup1
	calm    time.Time // of the last upset of clock, people or record
	log     []string
}

// A heat1 is an enclosure, by its name, that is lethally hot.
type heat1 struct {
	since    time.Time
	sent     int // how many deliveries were before
	answered bool
	again    time.Time // a start after a long time off, which has to tell anew
}

type backup1 struct {
	disk   disk
	drills map[string][]byte
	state  []byte
	mono   time.Duration
}

func (a *amid) other() string { return map[bool]string{true: "vine", false: "fern"}[a.vine] }

func (a *amid) text() string {
	second := map[bool]string{true: a.other(), false: "moss"}[a.moved]
	s := strings.Replace(rigRoom, "[mqtt]", "[[probe]]\nid = \"p2\"\nfamily = \"simulated\"\nplace = \"litter\"\nenclosure = \""+second+"\"\n[mqtt]", 1) +
		"[[enclosure]]\nid = \"" + a.other() + "\"\nspecies = \"dendrobates-tinctorius\"\nlamps = \"day\"\n" +
		"[[probe]]\nid = \"q\"\nfamily = \"simulated\"\nplace = \"canopy\"\nenclosure = \"" + a.other() + "\"\n"
	if !a.alone {
		s += "[[person]]\nid = \"una\"\nchannels = [\"" + a.by + "\"]\nmail_to = \"una@example.org\"\nescalate_after = \"10 min\"\n"
	}
	s += "[[person]]\nid = \"odo\"\nchannels = [\"mail\"]\nmail_to = \"odo@example.org\"\nescalate_after = \"10 min\"\n"
	if a.nights {
		s += "[[duty]]\nperson = \"odo\"\nhours = \"13:00-19:00\"\n"
	}
	return s
}

func (a *amid) glass(name string) string {
	if name == "moss" {
		return name
	}
	return "other"
}

func (a *amid) say(f string, x ...any) { a.log = append(a.log, fmt.Sprintf(f, x...)) }

func (a *amid) live(d time.Duration) {
	for end := a.real.Add(d); a.real.Before(end); {
		a.real = a.real.Add(10 * time.Second)
		a.now = a.now.Add(10 * time.Second)
		for _, p := range a.cfg.Probes {
			celsius := 2100
			if p.Enclosure != "" {
				celsius = a.temps[a.glass(p.Enclosure)]
			}
			a.take(a.core.Reading(sensors.Reading{
				Probe: sensors.ProbeID(p.ID), At: a.now, Has: sensors.HasTemperature | sensors.HasHumidity,
				Temperature: sensors.CentiCelsius(celsius), Humidity: 8500, Quality: sensors.Good,
			}))
		}
		a.take(a.core.Tick(a.now))
		a.look()
	}
}

// look notes what is hot and judges what was told.
func (a *amid) look() {
	for len(a.sentAt) < len(a.sent) {
		d := &a.sent[len(a.sentAt)]
		a.sentAt = append(a.sentAt, a.real)
		a.say("%s: %s %s v%d to %s: %s", a.real.Format("15:04:05"), d.Kind, d.NoticeID, d.Version, d.Person, d.Message.Title)
		if d.Kind != alert.Raise && d.Kind != alert.Update {
			continue
		}
		id := fmt.Sprint(d.NoticeID, " version ", d.Version)
		var subjects []string
		for _, x := range d.Message.Alarms {
			if x.Alarm == alarm.LethalLimit {
				subjects = append(subjects, x.Subject)
			}
		}
		if before, sent := a.names[id]; sent {
			for _, s := range subjects {
				if !slices.Contains(before, s) {
					a.fail("%s names %s only in a later sending", id, s)
				}
			}
		} else {
			a.names[id] = subjects
		}
	}
	here := map[string]bool{}
	for _, e := range a.cfg.Enclosures {
		here[e.ID] = true
		h := a.hot[e.ID]
		if a.temps[a.glass(e.ID)] < 3000 {
			if h != nil && a.real.Sub(a.cool[a.glass(e.ID)]) > 15*time.Minute {
				delete(a.hot, e.ID)
			}
			continue
		}
		if h == nil {
			h = &heat1{since: a.real, sent: len(a.sent)}
			a.hot[e.ID] = h
			// What left in this very round may name it.
			for h.sent > 0 && a.sentAt[h.sent-1].Equal(a.real) {
				h.sent--
			}
		}
		a.judge(e.ID, h)
	}
	for name := range a.hot {
		if !here[name] {
			delete(a.hot, name)
		}
	}
}

func (a *amid) judge(name string, h *heat1) {
	var at []time.Time
	first := map[string]bool{}
	for i := h.sent; i < len(a.sent); i++ {
		d := &a.sent[i]
		if a.tells(d, name) {
			at = append(at, a.sentAt[i])
			if a.sentAt[i].Sub(h.since) <= time.Minute+10*time.Second {
				first[d.Person] = true
			}
		}
	}
	long := a.real.Sub(h.since)
	switch {
	case long > 70*time.Second && len(at) == 0:
		a.fail("%s has been lethally hot since %s and was not named", name, h.since.Format("15:04:05"))
	case long == 80*time.Second && a.calm.Before(h.since.Add(-2*time.Minute)) && !first[a.first()]:
		a.fail("%s is lethally hot, and %s, who is first, was not told: %v", name, a.first(), first)
	case !h.again.IsZero() && a.real.Sub(h.again) == 80*time.Second && at[len(at)-1].Before(h.again):
		a.fail("%s is still lethally hot after a time off, and it was not told since", name)
	case !h.answered && a.real.Sub(a.calm) > 31*time.Minute && len(at) > 0 && a.real.Sub(at[len(at)-1]) > 31*time.Minute:
		a.fail("%s has been lethally hot since %s, is not answered, and was last named at %s", name, h.since.Format("15:04:05"), at[len(at)-1].Format("15:04:05"))
	}
}

func (a *amid) first() string {
	if p := a.core.roster.First; p != "" {
		return p
	}
	return a.cfg.People[0].ID
}

func (a *amid) tells(d *alert.Delivery, name string) bool {
	return (d.Kind == alert.Raise || d.Kind == alert.Update) && slices.ContainsFunc(d.Message.Alarms, func(x alert.AlarmRef) bool {
		return x.Alarm == alarm.LethalLimit && x.Subject == name
	}) && slices.Contains(d.Message.Subjects, name)
}

func (a *amid) fail(f string, x ...any) {
	a.t.Helper()
	a.t.Fatalf("%s: %s\n%s", a.real.Format("15:04:05"), fmt.Sprintf(f, x...), strings.Join(a.log[max(0, len(a.log)-60):], "\n"))
}

func (a *amid) warm(glass string, to int) {
	for a.temps[glass] != to {
		a.temps[glass] += max(min(to-a.temps[glass], 50), -50)
		if a.temps[glass] >= 2950 {
			a.cool[glass] = a.real
		}
		a.live(10 * time.Second)
	}
}

func (a *amid) reload() {
	was := *a
	switch a.rng.IntN(6) {
	case 0:
		a.vine = !a.vine
	case 1:
		a.moved = !a.moved
	case 2:
		a.by = map[string]string{"mqtt": "mail", "mail": "mqtt"}[a.by]
	case 3:
		a.alone = !a.alone
	case 4:
		a.nights = !a.nights
	}
	a.say("reload: vine %v moved %v by %s alone %v nights %v", a.vine, a.moved, a.by, a.alone, a.nights)
	if was.by != a.by || was.alone != a.alone || was.nights != a.nights {
		a.calm = a.real
	}
	a.cfg = decode(a.t, a.text())
	a.take(a.core.Reconfigure(a.now, a.cfg, nil))
	a.look()
}

// begin starts anew with what is on the disk, after a time off.
func (a *amid) begin(off time.Duration) {
	a.say("restart after %v", off)
	a.now.Wall, a.real = a.now.Wall.Add(off), a.real.Add(off)
	a.calm = a.real
	for _, h := range a.hot {
		if h.again = (time.Time{}); off >= 10*time.Minute && a.now.Synced && !h.answered && a.real.Sub(h.since)-off > 70*time.Second {
			h.again = a.real
		} else if off > 0 {
			h.since = a.real
		}
	}
	a.core = New(a.cfg, nil)
	a.core.Start(1 + a.rng.Uint64N(1<<20))
	saved := a.disk.saved(a.backups[len(a.backups)-1].state)
	fx, err := a.core.Restore(a.now, saved)
	if err != nil {
		a.fail("%v", err)
	}
	a.take(fx)
	a.look()
}

func (a *amid) copy() backup1 {
	state, err := a.core.State()
	if err != nil {
		a.fail("%v", err)
	}
	return backup1{maps.Clone(a.disk), maps.Clone(a.drills), state, a.now.Mono}
}

func (a *amid) answer() {
	if len(a.sent) == 0 {
		return
	}
	d := a.sent[len(a.sent)-1-a.rng.IntN(min(len(a.sent), 12))]
	version := []int{0, d.Version, d.Version}[a.rng.IntN(3)]
	was := map[string]alarm.State{}
	for name := range a.hot {
		v, _ := a.core.Alarm(alarm.Key{Alarm: alarm.LethalLimit, Subject: name})
		was[name] = v.State
	}
	fx, err := a.core.AcknowledgeNotice(a.now, d.NoticeID, version, d.Person, "")
	a.say("%s answers %s version %d: %v", d.Person, d.NoticeID, version, err)
	a.take(fx)
	for name, h := range a.hot {
		v, _ := a.core.Alarm(alarm.Key{Alarm: alarm.LethalLimit, Subject: name})
		if was[name] != alarm.Unack || v.State != alarm.Acked {
			continue
		}
		h.answered = true
		if !slices.ContainsFunc(a.sent[h.sent:], func(x alert.Delivery) bool {
			return x.NoticeID == d.NoticeID && (version == 0 || x.Version <= version) && a.tells(&x, name)
		}) {
			a.fail("an answer to %s version %d covers %s, of which it did not tell", d.NoticeID, version, name)
		}
	}
	a.look()
}

func (a *amid) act() {
	switch a.rng.IntN(16) {
	case 0, 1, 2:
		a.warm([]string{"moss", "other"}[a.rng.IntN(2)], 3050)
	case 3:
		a.warm([]string{"moss", "other"}[a.rng.IntN(2)], 2400)
	case 4, 5:
		a.reload()
	case 6, 7:
		a.backups = append(a.backups, a.copy())
		a.begin([]time.Duration{0, 20 * time.Second, 10 * time.Minute, 7 * time.Hour, 400 * 24 * time.Hour}[a.rng.IntN(5)])
	case 8: // an older backup
		if len(a.backups) == 0 {
			return
		}
		b := a.backups[a.rng.IntN(len(a.backups))]
		a.say("put back the backup of %v", b.mono)
		a.disk, a.drills, a.now.Mono = maps.Clone(b.disk), maps.Clone(b.drills), b.mono
		a.backups = append(a.backups, b)
		for _, h := range a.hot { // what was answered since is not on record
			h.answered = false
		}
		a.begin(time.Minute)
	case 9:
		step := []time.Duration{time.Hour, -time.Hour, 20000 * time.Hour, -20000 * time.Hour}[a.rng.IntN(4)]
		a.say("the clock steps by %v", step)
		a.now.Wall, a.calm = a.now.Wall.Add(step), a.real
	case 10:
		a.now.Synced, a.calm = !a.now.Synced, a.real
		a.say("clock set: %v", a.now.Synced)
	case 11:
		id, fx, err := a.core.Drill(a.now, []string{"", "odo"}[a.rng.IntN(2)], "robin")
		a.say("drill %s %v", id, err)
		a.take(fx)
	case 12:
		a.put()
	case 13, 14:
		a.answer()
	}
	a.live(time.Duration(1+a.rng.IntN(40)) * 30 * time.Second)
}

// put has somebody put alarms away.
func (a *amid) put() {
	k := []alarm.Key{
		{Alarm: alarm.LethalLimit, Subject: "moss"}, {Subject: "moss"}, {Alarm: alarm.AboveBand, Subject: a.other()},
		{Alarm: alarm.LethalAhead, Subject: "moss"},
	}[a.rng.IntN(4)]
	act := rules.Action{Kind: rules.Shelve, Key: k, For: 10 * time.Minute, By: "una"}
	if a.rng.IntN(3) == 0 {
		act = rules.Action{Kind: rules.TakeOut, Key: alarm.Key{Subject: k.Subject}, For: time.Hour, By: "una"}
	}
	err := a.deskRig.act(act)
	a.say("%s %v: %v", act.Kind, act.Key, err)
	if act.Kind == rules.Shelve && (k.Alarm == "" || k.Alarm == alarm.LethalLimit) && err == nil {
		a.fail("lethal heat was shelved")
	}
	a.look()
}

// putBackTwice is the story in which one backup is put back twice: the versions of both runs
// were the same.
const putBackTwice = 57

// Long: 400 stories in place of ten.
func TestCore_AmidAnything(t *testing.T) {
	seeds := []int{putBackTwice}
	for seed := range map[bool]int{false: 10, true: 400}[longChecks()] {
		seeds = append(seeds, seed)
	}
	for _, seed := range seeds {
		t.Run(fmt.Sprint(seed), func(t *testing.T) {
			a := &amid{
				rng: rand.New(rand.NewPCG(uint64(seed), 9)), temps: map[string]int{"moss": 2400, "other": 2400}, by: "mqtt",
				hot: map[string]*heat1{}, cool: map[string]time.Time{}, names: map[string][]string{},
			}
			a.deskRig = &deskRig{t: t, disk: disk{}, drills: map[string][]byte{}}
			a.cfg = decode(t, a.text())
			a.core = New(a.cfg, nil)
			a.now = sensors.Instant{Mono: time.Hour, Wall: time.Date(2026, 10, 24, 12, 0, 0, 0, time.UTC), Synced: true}
			a.real = a.now.Wall
			a.live(20 * time.Minute)
			for range 30 {
				a.act()
			}
		})
	}
}
