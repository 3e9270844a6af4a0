package alert

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"dewline/configs"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/sensors"
	"dewline/sensors/sim"
	"dewline/sensors/table"
)

// A house is a simulated room with its rules and its desk.
type house struct {
	*rig
	room   *sim.Room
	engine *rules.Engine
	cfg    *configs.Config
	judges []*sensors.Judge
	raised map[alarm.ID]int
	start  time.Time
}

// toldHouse is the demo's room on the day of its story.
func toldHouse(t *testing.T) *house {
	t.Helper()
	cfg, err := table.Decode("demo.toml", configs.Demo())
	if err != nil {
		t.Fatal(err)
	}
	start := time.Date(2026, time.July, 18, 6, 0, 0, 0, cfg.Room.Location)
	o, err := sim.FromConfig(cfg, 1, start)
	if err != nil {
		t.Fatal(err)
	}
	room, err := sim.New(o)
	if err != nil {
		t.Fatal(err)
	}
	for _, b := range sim.Story(o, start) {
		if err := room.Inject(b.Fault); err != nil {
			t.Fatal(err)
		}
	}
	h := &house{rig: newRig(t, OptionsFor(cfg)), room: room, engine: rules.New(cfg), cfg: cfg, start: start, raised: map[alarm.ID]int{}}
	for _, p := range cfg.Probes {
		h.judges = append(h.judges, table.NewJudge(sensors.ProbeID(p.ID), p.Family))
	}
	h.now = sensors.Instant{Wall: start, Synced: true}
	return h
}

func (h *house) found(ts []rules.Transition) {
	for _, t := range ts {
		if t.From == alarm.Norm && t.To == alarm.Unack {
			h.raised[t.Key.Alarm]++
		}
	}
	h.transitions(slices.Clone(ts)...)
}

// live lets time pass at the room's poll.
func (h *house) live(d time.Duration) {
	poll := h.cfg.Room.Poll.D()
	for end := h.now.Mono + d; h.now.Mono < end; {
		h.room.Advance(poll)
		h.now = h.now.Add(poll)
		for i, p := range h.cfg.Probes {
			sample, err := h.room.Sample(sensors.ProbeID(p.ID))
			r := h.judges[i].Read(h.now, sample, err)
			h.found(h.engine.Step(&r))
		}
		h.found(h.engine.Tick(h.now))
		if h.now.Mono%time.Minute == 0 {
			h.absorb(h.desk.Refresh(h.now, h.engine.Open(), h.engine.Enclosures()))
		}
		h.absorb(h.desk.Tick(h.now))
		h.send()
	}
}

// The demo's day, told to one keeper who does not answer: what reaches the
// phone is what happened, once each.
func TestStory_oneCauseOneNotice(t *testing.T) {
	h := toldHouse(t)
	h.live(24 * time.Hour)
	notices, wakes, ends, messages := map[string]bool{}, map[string]bool{}, map[string]int{}, 0
	for _, d := range h.got {
		notices[d.NoticeID] = true
		if d.Message.Priority == alarm.Wake && d.Kind != FollowUp {
			wakes[d.NoticeID] = true
			messages++
		}
		if d.Kind == FollowUp {
			ends[d.NoticeID]++
		}
		if d.Message.Priority == alarm.Wake && d.Message.Cause != string(alarm.CauseRoom) {
			t.Errorf("%s %v says %s: %s", d.Message.Time.Format("15:04"), d.Kind, d.Message.Cause, d.Message.Title)
		}
		if len([]rune(d.Message.Title)) > 110 {
			t.Errorf("a title of %d letters: %s", len([]rune(d.Message.Title)), d.Message.Title)
		}
	}
	if len(wakes) != 1 {
		t.Errorf("%d wake notices for one air conditioner: %v", len(wakes), wakes)
	}
	// The mist that missed, the silent probe, the room.
	if len(notices) > 4 {
		t.Errorf("%d notices in all: %v", len(notices), notices)
	}
	// Each enclosure that nears or reaches its limit, or its band's limit to act on, is
	// named at once; the rest are repeats.
	onsets := h.raised[alarm.LethalAhead] + h.raised[alarm.LethalLimit] + h.raised[alarm.Exposure]
	if messages > 2*onsets+len(h.cfg.Enclosures)/2 {
		t.Errorf("%d wake messages in an evening without an answer, of %d onsets", messages, onsets)
	}
	for id, n := range ends {
		if n != 1 {
			t.Errorf("%s ended %d times", id, n)
		}
	}
	for _, id := range []alarm.ID{alarm.ProbeWet, alarm.MistEndless, alarm.ProbeJump, alarm.DoorAjar, alarm.ProbeDisagrees, alarm.LampStuck} {
		if h.raised[id] != 0 {
			t.Errorf("%s was raised %d times", id, h.raised[id])
		}
	}
	if t.Failed() {
		for _, d := range h.got {
			t.Logf("%s %-8v %s", d.Message.Time.Format("15:04"), d.Kind, d.Message.Title)
		}
	}
}

// Forty-eight enclosures of several species in one warming room: they near and
// reach their different lethal limits one after the other, and cool again so.
func TestDesk_roomWithDifferentLethalLimits(t *testing.T) {
	r := newRig(t, Options{Room: "attic"})
	const n = 48
	id := func(i int) string { return fmt.Sprintf("e%02d", i) }
	for i := range n {
		r.transitions(r.tr(change{alarm.LethalAhead, id(i), unack, alarm.Wake, room, 28, 40}))
		if i == 0 {
			r.pass(30 * time.Second)
			r.ack("ceiling-ahead/e00/1", "una")
		}
		if i >= 10 {
			r.transitions(r.tr(change{alarm.LethalLimit, id(i - 10), unack, alarm.Wake, room, 33, 0}))
		}
		r.pass(3 * time.Minute)
	}
	for i := range n {
		r.transitions(r.tr(change{alarm.LethalLimit, id(i), norm, alarm.Wake, room, 27, 0}),
			r.tr(change{alarm.LethalAhead, id(i), norm, alarm.Wake, room, 27, 0}))
		r.pass(time.Minute)
	}
	r.pass(time.Hour)
	kinds, version := map[Kind]int{}, 0
	for _, d := range r.got {
		if d.NoticeID != "ceiling-ahead/e00/1" {
			t.Errorf("another notice: %s", d.NoticeID)
		}
		if d.Version > version { // else a repeat
			version = d.Version
			kinds[d.Kind]++
		}
	}
	// One for each three minutes in which one more nears and another reaches its
	// limit.
	if kinds[Raise] != 1 || kinds[FollowUp] != 1 || kinds[Update] > n+40 {
		t.Errorf("told %v, want one raise, one follow-up and few updates", kinds)
	}
}
