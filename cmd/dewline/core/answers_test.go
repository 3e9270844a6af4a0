package core

import (
	"encoding/json"
	"errors"
	"maps"
	"slices"
	"strings"
	"testing"
	"time"

	"dewline/alert"
	"dewline/configs"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/rules/event"
	"dewline/sensors"
	"dewline/store"
)

// A deskRig is a whole core in a small room. Its channels take everything over but
// the dead ones;
// every restart goes through the JSON that the store would hold.
type deskRig struct {
	t       *testing.T
	cfg     *configs.Config
	core    *Core
	disk    disk
	drills  map[string][]byte
	now     sensors.Instant
	celsius int // hundredths, of the enclosure's probe
	sent    []alert.Delivery
	journal []event.Event
	dead    map[string]bool // channels that refuse
}

const rigRoom = "[room]\nid = \"den\"\nname = \"Den\"\ntimezone = \"UTC\"\npoll = \"10 s\"\n" +
	"[rules]\nrealarm_after = \"30 min\"\n" +
	"[[lamps]]\nid = \"day\"\non = \"08:00-20:00\"\n" +
	"[[probe]]\nid = \"room\"\nfamily = \"simulated\"\nplace = \"room\"\n" +
	"[[enclosure]]\nid = \"moss\"\nrack = \"a\"\nshelf = 1\nslot = 1\nspecies = \"dendrobates-tinctorius\"\nvolume = \"90 L\"\nlamps = \"day\"\n" +
	"[[probe]]\nid = \"p\"\nfamily = \"simulated\"\nplace = \"canopy\"\nenclosure = \"moss\"\n" +
	"[mqtt]\nbroker = \"tcp://127.0.0.1:1883\"\n[mail]\nhost = \"mail.example.org\"\nfrom = \"dewline@example.org\"\n"

const una = "[[person]]\nid = \"una\"\nchannels = [\"mqtt\"]\nescalate_after = \"10 min\"\n"

func newDeskRig(t *testing.T, people string) *deskRig {
	t.Helper()
	r := &deskRig{t: t, disk: disk{}, drills: map[string][]byte{}, celsius: 2400}
	r.cfg = decode(t, rigRoom+people)
	r.core = New(r.cfg, nil)
	r.now = sensors.Instant{Mono: time.Hour, Wall: time.Date(2026, 5, 1, 12, 0, 0, 0, time.UTC), Synced: true}
	r.pass(30 * time.Minute)
	r.sent, r.journal = nil, nil
	return r
}

// take keeps and carries out effects, as the daemon does.
func (r *deskRig) take(fx Effects) {
	r.journal = append(r.journal, fx.Events...)
	for _, d := range fx.Docs {
		if d.Bucket == store.BucketDrills {
			r.drills[d.Key] = d.Value
		}
	}
	r.disk.keep(fx)
	for _, d := range fx.Send {
		r.sent = append(r.sent, d)
		res := alert.SendResult{Delivery: d.ID, Version: d.Version, Attempt: d.Attempt}
		if r.dead[d.Channel] {
			res.Err = alert.Permanent(errors.New("refused"))
		}
		r.take(r.core.Result(r.now, res))
	}
}

// pass lets time pass in polls.
func (r *deskRig) pass(d time.Duration) {
	for end := r.now.Mono + d; r.now.Mono < end; {
		r.now = r.now.Add(10 * time.Second)
		for _, id := range []sensors.ProbeID{"room", "p"} {
			celsius := 2100
			if id == "p" {
				celsius = r.celsius
			}
			r.take(r.core.Reading(sensors.Reading{
				Probe: id, At: r.now, Has: sensors.HasTemperature | sensors.HasHumidity,
				Temperature: sensors.CentiCelsius(celsius), Humidity: 8500, Quality: sensors.Good,
			}))
		}
		r.take(r.core.Tick(r.now))
	}
}

// heat brings the enclosure to a temperature in steps that no probe is doubted for.
func (r *deskRig) heat(celsius int) {
	for r.celsius != celsius {
		step := max(min(celsius-r.celsius, 50), -50)
		r.celsius += step
		r.pass(10 * time.Second)
	}
}

// restart begins anew with what is on the disk; change may damage it before.
func (r *deskRig) restart(change func(*Saved)) {
	r.t.Helper()
	state, err := r.core.State()
	if err != nil {
		r.t.Fatal(err)
	}
	saved := r.disk.saved(state)
	for _, key := range slices.Sorted(maps.Keys(r.drills)) {
		saved.Drills = append(saved.Drills, store.Doc{Bucket: store.BucketDrills, Key: key, Value: r.drills[key]})
	}
	if change != nil {
		change(&saved)
	}
	r.core = New(r.cfg, nil)
	fx, err := r.core.Restore(r.now, saved)
	if err != nil && change == nil {
		r.t.Fatal(err)
	}
	r.take(fx)
}

func (r *deskRig) act(a rules.Action) error {
	fx, err := r.core.Act(r.now, a)
	r.take(fx)
	return err
}

func (r *deskRig) must(a rules.Action) {
	r.t.Helper()
	a.By = "una"
	if err := r.act(a); err != nil {
		r.t.Fatal(err)
	}
}

func (r *deskRig) state(id alarm.ID) alarm.State {
	for _, v := range r.core.Open() {
		if v.Key == (alarm.Key{Alarm: id, Subject: "moss"}) {
			return v.State
		}
	}
	return alarm.Norm
}

func (r *deskRig) want(id alarm.ID, s alarm.State, when string) {
	r.t.Helper()
	if got := r.state(id); got != s {
		r.t.Errorf("%s: %s is %s, want %s", when, id, got, s)
	}
}

// wakes counts what was sent of wake notices that are no follow-up.
func (r *deskRig) wakes() int {
	n := 0
	for _, d := range r.sent {
		if d.Priority == alarm.Wake && d.Kind != alert.FollowUp && d.Kind != alert.Test {
			n++
		}
	}
	return n
}

// An acknowledged wake alarm that goes on rings again, by the time that was
// set and across a restart in between.
func TestCore_RingsAgain(t *testing.T) {
	for name, restart := range map[string]bool{"one run": false, "restarted in between": true} {
		t.Run(name, func(t *testing.T) {
			r := newDeskRig(t, una)
			r.heat(3050)
			r.pass(45 * time.Minute) // until everything that heat raises is raised
			lethal := alarm.Key{Alarm: alarm.LethalLimit, Subject: "moss"}
			r.want(lethal.Alarm, alarm.Unack, "at the ceiling")
			for _, v := range r.core.Open() {
				if v.State == alarm.Unack {
					r.must(rules.Action{Kind: rules.Acknowledge, Key: v.Key})
				}
			}
			r.want(lethal.Alarm, alarm.Acked, "acknowledged")
			before := r.wakes()
			r.pass(20 * time.Minute)
			if n := r.wakes(); n != before {
				t.Errorf("%d wake messages within 20 min of the acknowledgement, the last %q", n-before, r.sent[len(r.sent)-1].Message.Text)
			}
			if restart {
				r.restart(nil)
			}
			r.pass(9 * time.Minute)
			r.want(lethal.Alarm, alarm.Acked, "29 min after the acknowledgement")
			r.pass(3 * time.Minute)
			r.want(lethal.Alarm, alarm.Unack, "32 min after the acknowledgement")
			if n := r.wakes(); n <= before {
				t.Error("it rings again for the rules and nobody is told")
			}
		})
	}
}

// What is put away stays so across a restart for the rest of its time, has its
// caps, and comes back by itself. What the record does not say is not put away.
func TestCore_Shelves(t *testing.T) {
	above := alarm.Key{Alarm: alarm.AboveBand, Subject: "moss"}
	raised := func(t *testing.T) *deskRig {
		r := newDeskRig(t, una)
		r.heat(2790)
		r.pass(45 * time.Minute)
		r.want(above.Alarm, alarm.Unack, "too warm for 45 min")
		return r
	}
	t.Run("its time goes on across a restart", func(t *testing.T) {
		r := raised(t)
		r.must(rules.Action{Kind: rules.Shelve, Key: above, For: 2 * time.Hour})
		r.pass(time.Hour)
		r.restart(nil)
		r.want(above.Alarm, alarm.Shelved, "an hour later, restarted")
		r.pass(50 * time.Minute)
		r.want(above.Alarm, alarm.Shelved, "10 min before the end")
		r.pass(15 * time.Minute)
		r.want(above.Alarm, alarm.Unack, "after the end")
	})
	t.Run("unknown means not put away", func(t *testing.T) {
		r := raised(t)
		r.must(rules.Action{Kind: rules.Shelve, Key: above, For: 2 * time.Hour})
		r.restart(func(s *Saved) {
			for i := range s.Alarms {
				s.Alarms[i].Value = []byte(`{"key":`)
			}
			s.State = nil
		})
		r.pass(45 * time.Minute)
		r.want(above.Alarm, alarm.Unack, "the record of the shelf is damaged")
	})
	t.Run("one shot", func(t *testing.T) {
		r := raised(t)
		r.must(rules.Action{Kind: rules.Shelve, Key: above, For: 6 * time.Hour, OneShot: true})
		r.restart(nil)
		r.heat(2400)
		r.pass(30 * time.Minute)
		r.want(above.Alarm, alarm.Norm, "it has come and gone")
		r.heat(2790)
		r.pass(45 * time.Minute)
		r.want(above.Alarm, alarm.Unack, "the next time")
	})
	t.Run("caps", func(t *testing.T) {
		r := raised(t)
		for _, c := range []struct {
			key  alarm.Key
			time time.Duration
			want string
		}{
			{above, 12*time.Hour + time.Minute, "longer than allowed"},
			{alarm.Key{Alarm: alarm.LethalAhead, Subject: "moss"}, 16 * time.Minute, "longer than allowed"},
			{alarm.Key{Alarm: alarm.LethalLimit, Subject: "moss"}, time.Minute, "cannot be shelved"},
			{alarm.Key{Subject: "moss"}, time.Minute, "cannot be shelved"},
		} {
			err := r.act(rules.Action{Kind: rules.Shelve, Key: c.key, For: c.time, By: "una"})
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("shelving %v for %s: %v", c.key, c.time, err)
			}
			if last := r.journal[len(r.journal)-1]; last.Kind() != "refused" || last.By != "una" {
				t.Errorf("the refusal left %+v in the journal", last)
			}
		}
		r.want(above.Alarm, alarm.Unack, "after refused shelves")
	})
	t.Run("out of service until a date, whatever the clock does", func(t *testing.T) {
		r := raised(t)
		r.must(rules.Action{Kind: rules.TakeOut, Key: alarm.Key{Subject: "moss"}, Until: r.now.Wall.Add(5 * time.Hour), Why: "quarantine", Empty: true})
		r.want(above.Alarm, alarm.OutOfService, "taken out")
		r.heat(3050)
		r.restart(nil)
		r.pass(4 * time.Hour)
		r.want(alarm.LethalLimit, alarm.OutOfService, "an hour before the end")
		sent := r.wakes()
		r.pass(65 * time.Minute)
		r.want(alarm.LethalLimit, alarm.Unack, "after the end date")
		if r.wakes() <= sent {
			t.Error("back in service at the ceiling, and nobody is told")
		}
	})
}

// A reload changes people, quiet hours and escalation for notices that are
// open, at once.
func TestCore_ReloadWithOpenNotices(t *testing.T) {
	reload := func(r *deskRig, people string) {
		r.cfg = decode(r.t, rigRoom+people)
		r.take(r.core.Reconfigure(r.now, r.cfg, nil))
	}
	people := func(r *deskRig) map[string]int {
		m := map[string]int{}
		for _, d := range r.sent {
			m[d.Person]++
		}
		r.sent = nil
		return m
	}
	const zoe = "[[person]]\nid = \"zoe\"\nchannels = [\"mqtt\"]\n"
	t.Run("another person", func(t *testing.T) {
		r := newDeskRig(t, una)
		r.heat(3050)
		r.pass(time.Minute)
		id := r.sent[0].NoticeID
		if n := people(r)["una"]; n == 0 {
			t.Fatal("una is not told")
		}
		reload(r, zoe)
		r.pass(20 * time.Second)
		for _, d := range r.sent {
			if d.Person == "zoe" && d.NoticeID != id {
				t.Errorf("zoe hears of %s, the open notice is %s", d.NoticeID, id)
			}
		}
		if got := people(r); got["zoe"] != 1 || got["una"] != 0 {
			t.Errorf("after the reload within 20 s told %v, want zoe once", got)
		}
		r.restart(nil)
		r.pass(31 * time.Minute)
		if got := people(r); got["zoe"] == 0 || got["una"] != 0 {
			t.Errorf("later told %v, want zoe alone", got)
		}
	})
	t.Run("escalation sooner", func(t *testing.T) {
		r := newDeskRig(t, strings.Replace(una, "10 min", "4 h", 1)+zoe)
		r.heat(3050)
		r.pass(10 * time.Minute)
		if got := people(r); got["zoe"] != 0 {
			t.Fatalf("zoe is told %d times before her turn", got["zoe"])
		}
		reload(r, strings.Replace(una, "10 min", "5 min", 1)+zoe)
		r.pass(20 * time.Second)
		if got := people(r); got["zoe"] == 0 {
			t.Error("una has 5 min since the reload and did not answer for 10, and zoe is not told")
		}
	})
	t.Run("quiet hours begin and end", func(t *testing.T) {
		quiet := una + "quiet = \"11:00-23:00\"\n"
		r := newDeskRig(t, quiet)
		r.heat(2790)
		r.pass(50 * time.Minute)
		if got := people(r); got["una"] != 0 {
			t.Fatalf("told %d times of what can wait in quiet hours", got["una"])
		}
		reload(r, una)
		r.pass(time.Minute)
		if got := people(r); got["una"] != 1 {
			t.Errorf("quiet hours were lifted and una is told %d times, want once", got["una"])
		}
	})
}

// The results of drills are kept one by one, and only one that somebody
// acknowledged puts off the reminder, also after a restart.
func TestCore_DrillsOnRecord(t *testing.T) {
	r := newDeskRig(t, una)
	hold := func(answer bool) alert.DrillResult {
		t.Helper()
		id, fx, err := r.core.Drill(r.now, "una", "robin")
		if err != nil {
			t.Fatal(err)
		}
		r.take(fx)
		r.restart(nil)
		r.pass(30 * time.Second)
		if answer {
			fx, err := r.core.AcknowledgeNotice(r.now, id, 0, "una", "")
			if err != nil {
				t.Fatal(err)
			}
			r.take(fx)
		}
		r.pass(2 * time.Hour)
		var d alert.DrillResult
		if err := json.Unmarshal(r.drills[slices.Max(slices.Collect(maps.Keys(r.drills)))], &d); err != nil || d.ID != id {
			t.Fatalf("on record is %+v (%v), want drill %s", d, err, id)
		}
		return d
	}
	if d := hold(true); !d.Acked || d.AckedIn < 29 || d.AckedIn > 41 || d.AckedBy != "una" || len(d.Taken) != 1 {
		t.Errorf("the drill went %+v; want mqtt, and acknowledged by una after 30 s", d)
	}
	r.now.Mono += 30*24*time.Hour - 5*time.Hour
	r.now.Wall = r.now.Wall.Add(30*24*time.Hour - 5*time.Hour)
	if d := hold(false); d.Acked || !d.Done {
		t.Errorf("a drill that nobody answered is on record as %+v", d)
	}
	if len(r.drills) != 2 {
		t.Errorf("%d drills on record, want 2", len(r.drills))
	}
	overdue := func() bool { v, _ := openSelf(r.core, alarm.DrillOverdue); return v.Active }
	r.restart(nil)
	r.pass(time.Minute)
	if overdue() {
		t.Error("overdue before 30 days")
	}
	r.pass(5 * time.Hour)
	if !overdue() {
		t.Error("the only drill in 30 days was not acknowledged, and nothing is overdue")
	}
	results := 0
	for _, e := range r.journal {
		if e.Kind() == "drill-result" {
			results++
		}
	}
	if results != 2 {
		t.Errorf("%d results in the journal, want 2", results)
	}
}

// Every person reads degrees in the unit of theirs, whichever way a notice
// takes; the alarm is the same.
func TestCore_UnitsOfPeople(t *testing.T) {
	r := newDeskRig(t, "[[person]]\nid = \"una\"\nchannels = [\"mqtt\", \"mail\", \"push\"]\nmail_to = \"una@example.org\"\nunits = \"F\"\n"+
		"[[person]]\nid = \"zoe\"\nchannels = [\"mqtt\", \"mail\", \"push\"]\nmail_to = \"zoe@example.org\"\nescalate_after = \"10 min\"\n"+
		"[[webhook]]\nid = \"push\"\nurl = \"https://push.example.org/x\"\n")
	r.heat(3050)
	r.pass(40 * time.Minute)
	seen := map[string]bool{}
	for _, d := range r.sent {
		unit, other := "°F", "°C"
		if d.Person == "zoe" {
			unit, other = other, unit
		}
		all := d.Message.Title + d.Message.Text + d.Message.FirstAction
		if !strings.Contains(all, unit) || strings.Contains(all, other) {
			t.Errorf("%s by %s reads %q; want %s only", d.Person, d.Channel, all, unit)
		}
		seen[d.Person+" "+d.Channel] = true
	}
	for _, want := range []string{"una mqtt", "una mail", "una push", "zoe mqtt", "zoe mail", "zoe push"} {
		if !seen[want] {
			t.Errorf("nothing was sent to %s: %v", want, seen)
		}
	}
}

// A notice whose document was damaged is made anew: an enclosure at its lethal limit
// must not fall silent because of a bad block on the card.
func TestCore_ADamagedNoticeIsToldAnew(t *testing.T) {
	r := newDeskRig(t, una)
	r.heat(3100)
	r.pass(time.Minute)
	if n := len(r.sent); n == 0 || r.sent[n-1].Priority != alarm.Wake {
		t.Fatalf("%d deliveries, want one that wakes", n)
	}
	r.sent = nil
	r.restart(func(s *Saved) {
		for i := range s.Outbox {
			s.Outbox[i].Value = []byte(`{"notice":`)
		}
	})
	r.pass(2 * time.Minute)
	if !slices.ContainsFunc(r.sent, func(d alert.Delivery) bool { return d.Lethal }) {
		t.Errorf("nothing tells of the lethal heat after the restart: %+v", r.sent)
	}
}

// A link answers its notice once: a second answer is refused, names the first
// and changes nothing. One that rings again is another matter.
func TestNoticeIsAnsweredOnce(t *testing.T) {
	r := newDeskRig(t, una)
	r.heat(3050)
	r.pass(45 * time.Minute)
	id := r.core.desk.Open()[0].Notice.ID
	if who := r.core.desk.AnsweredBy(id); who != "" {
		t.Fatalf("answered by %q before anybody was asked", who)
	}
	fx, err := r.core.AcknowledgeNotice(r.now, id, 0, "una", "")
	if err != nil {
		t.Fatal(err)
	}
	r.take(fx)
	r.pass(time.Minute)
	r.restart(nil)
	if who := r.core.desk.AnsweredBy(id); who != "una" {
		t.Errorf("after una's answer and a restart it counts as answered by %q", who)
	}
	r.pass(32 * time.Minute) // it rings again
	if who := r.core.desk.AnsweredBy(id); who != "" {
		t.Errorf("it rings again and counts as answered by %q", who)
	}
}
