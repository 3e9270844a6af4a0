package alert

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"dewline/rules"
	"dewline/rules/alarm"
)

func TestDesk_outageKeepsTheNotice(t *testing.T) {
	r := newRig(t, Options{Room: "attic"})
	r.broken["mqtt"] = errAway
	r.absorb(r.desk.ChannelState(r.now, "mqtt", false))
	r.transitions(r.tr(change{rules.LethalLimit, "e1", unack, rules.Wake, tank("e1"), 33, 0}))
	r.pass(12 * time.Hour)
	if s := r.desk.StalledChannels(r.now); !slices.Equal(s, []string{"mqtt"}) {
		t.Errorf("stalled: %v", s)
	}
	r.restart()
	r.pass(time.Hour)
	delete(r.broken, "mqtt")
	r.absorb(r.desk.ChannelState(r.now, "mqtt", true))
	r.send()
	r.want("mqtt", "raise lethal-ceiling/e1/1")
	r.pass(6 * time.Minute)
	if s := r.desk.StalledChannels(r.now); len(s) != 0 {
		t.Errorf("stalled after the return: %v", s)
	}
}

// What came and went during an outage is told in one piece.
func TestDesk_overBeforeDelivered(t *testing.T) {
	r := newRig(t, Options{Room: "attic"})
	r.broken["mqtt"] = errAway
	r.transitions(r.tr(change{rules.LethalLimit, "e1", unack, rules.Wake, tank("e1"), 34.2, 0}))
	r.pass(time.Hour)
	r.transitions(r.tr(change{rules.LethalLimit, "e1", norm, rules.Wake, tank("e1"), 30, 0}))
	r.pass(time.Hour)
	delete(r.broken, "mqtt")
	r.pass(time.Minute)
	r.want("mqtt", "followup lethal-ceiling/e1/1")
	m := r.got[0].Message
	for _, part := range []string{"12:00", "13:00", "60 min", "34.2 °C", "33.0 °C"} {
		if !strings.Contains(m.Text, part) {
			t.Errorf("the story lacks %q: %s", part, m.Text)
		}
	}
}

func TestDesk_errorClasses(t *testing.T) {
	r := newRig(t, Options{Room: "attic"})
	r.transitions(r.tr(change{rules.LethalLimit, "e1", unack, rules.Wake, tank("e1"), 33, 0}))
	attempts := func(d time.Duration) int {
		before := r.desk.Stats(r.now).Channels["mqtt"].Sent
		r.pass(d)
		return int(r.desk.Stats(r.now).Channels["mqtt"].Sent - before)
	}
	r.broken["mqtt"] = errAway
	r.pass(10 * time.Minute)
	if n := attempts(5 * time.Minute); n < 9 || n > 11 {
		t.Errorf("%d retries in 5 minutes at the cap of 30 s", n)
	}
	r.broken["mqtt"] = After(3*time.Minute, errors.New("429"))
	r.pass(time.Minute)
	if n := attempts(9 * time.Minute); n < 17 || n > 19 {
		t.Errorf("%d retries in 9 minutes, want one every 30 s whatever the server asks", n)
	}
	r.broken["mqtt"] = Permanent(errors.New("not authorised"))
	r.pass(5 * time.Minute)
	if n := attempts(time.Hour); n < 118 || n > 122 {
		t.Errorf("%d attempts in an hour, want one every 30 s: a refusal may pass", n)
	}
}

func TestDesk_boundDropsOldestToday(t *testing.T) {
	o := Options{Room: "attic", MaxPending: 10}
	r := newRig(t, o)
	r.broken["mqtt"] = errAway
	for i := range 12 {
		id := fmt.Sprintf("e%02d", i)
		r.transitions(r.tr(change{rules.AboveBand, id, unack, rules.Today, tank(id), 29, 0}))
		r.pass(3 * time.Minute) // else it is one notice
	}
	for i := range 12 {
		id := fmt.Sprintf("w%02d", i)
		r.transitions(r.tr(change{rules.LethalLimit, id, unack, rules.Wake, tank(id), 33, 0}))
		r.pass(3 * time.Minute)
	}
	s := r.desk.Stats(r.now)
	if s.Depth != 12 || s.Dropped != 12 {
		t.Errorf("depth %d dropped %d, want the 12 wake kept and the 12 today gone", s.Depth, s.Dropped)
	}
	delete(r.broken, "mqtt")
	r.pass(2 * time.Minute)
	seen := make(map[string]bool)
	for _, d := range r.got {
		seen[d.NoticeID] = true
	}
	for i := range 12 {
		if id := fmt.Sprintf("lethal-ceiling/w%02d/1", i); !seen[id] {
			t.Errorf("wake notice %s was lost", id)
		}
	}
}

func TestDesk_putAwayEndsTheNotice(t *testing.T) {
	r := newRig(t, Options{Room: "attic"})
	r.transitions(r.tr(change{rules.LethalAhead, "e1", unack, rules.Wake, tank("e1"), 31, 40}))
	r.pass(time.Minute)
	shelved := r.tr(change{rules.LethalAhead, "e1", alarm.Shelved, rules.Wake, tank("e1"), 31, 40})
	shelved.By = "una"
	r.transitions(shelved)
	r.pass(time.Minute)
	r.want("mqtt", "raise ceiling-ahead/e1/1", "followup ceiling-ahead/e1/1")
	if text := r.got[1].Message.Text; !strings.Contains(text, "shelved by una, not over") {
		t.Errorf("follow-up: %s", text)
	}
	if title := r.got[1].Message.Title; !strings.HasPrefix(title, "Put away, not over: ") {
		t.Errorf("the title of what is only put away: %s", title)
	}
	// The shelf ends while the cause persists: the same onset rings again.
	r.pass(15 * time.Minute)
	r.transitions(r.tr(change{rules.LethalAhead, "e1", unack, rules.Wake, tank("e1"), 31, 30}))
	r.pass(time.Minute)
	r.want("mqtt", "raise ceiling-ahead/e1/1", "followup ceiling-ahead/e1/1", "raise ceiling-ahead/e1/1")
	if v := r.got[2].Version; v != 3 {
		t.Errorf("version %d, want 3: a receiver must tell it from the first", v)
	}
}

func TestDesk_selfAlarmsAreApart(t *testing.T) {
	r := newRig(t, twoPeople())
	r.broken["mail"] = errAway
	r.transitions(r.tr(change{rules.RecordIncomplete, "dewline", unack, rules.Today, self, 0, 0}))
	r.pass(time.Minute)
	r.transitions(r.tr(change{rules.DeliveryStalled, "dewline", unack, rules.Today, self, 0, 0}))
	r.pass(time.Minute)
	r.want("mqtt", "raise record-incomplete/dewline/1", "raise delivery-stalled/dewline/1")
}

func TestDesk_stalledChannelIsPassedOver(t *testing.T) {
	r := newRig(t, twoPeople())
	r.absorb(r.desk.ChannelState(r.now, "mqtt", false))
	r.broken["mqtt"] = errAway
	r.pass(6 * time.Minute)
	if s := r.desk.StalledChannels(r.now); !slices.Equal(s, []string{"mqtt"}) {
		t.Fatalf("a connection down for 6 minutes is not stalled: %v", s)
	}
	r.transitions(r.tr(change{rules.DeliveryStalled, "dewline", unack, rules.Today, self, 0, 0}))
	r.pass(time.Minute)
	r.want("mail", "raise delivery-stalled/dewline/1")
}

// A connection that comes for a second in each minute carries no warning: the
// channel is as dead as one that never comes.
func TestDesk_connectionThatNeverHolds(t *testing.T) {
	r := newRig(t, twoPeople())
	r.broken["mqtt"] = errAway
	for range 5 {
		r.absorb(r.desk.ChannelDown(r.now, "mqtt", "reset by peer"))
		r.pass(59 * time.Second)
		r.absorb(r.desk.ChannelState(r.now, "mqtt", true))
		r.pass(time.Second)
	}
	if s := r.desk.StalledChannels(r.now); !slices.Equal(s, []string{"mqtt"}) {
		t.Fatalf("connected for 5 s of 5 min, and stalled are %v", s)
	}
	r.pass(10 * time.Minute)
	if s := r.desk.StalledChannels(r.now); len(s) != 0 {
		t.Errorf("still stalled after 10 good minutes: %v", s)
	}
}

// A channel that is to be connected is watched also where nobody is told by it.
func TestDesk_connectionForNobody(t *testing.T) {
	o := Options{Room: "attic", People: []Person{{ID: "una", Channels: []string{"mail"}}}, Connect: []string{"mqtt"}}
	r := newRig(t, o)
	r.absorb(r.desk.ChannelDown(r.now, "mqtt", "refused"))
	s := r.desk.Stats(r.now).Channels
	if c := s["mqtt"].Connected; c == nil || *c || s["mqtt"].DownWhy != "refused" || s["mail"].Connected != nil {
		t.Errorf("the channels look %+v; want mqtt known as not connected, and why, and mail unknown", s)
	}
	r.pass(4 * time.Minute)
	if s := r.desk.StalledChannels(r.now); !slices.Equal(s, []string{"mqtt"}) {
		t.Errorf("stalled are %v after 4 min without a broker", s)
	}
}

// A connection that is up for a minute between outages is one trouble, not
// one for each outage.
func TestDesk_flappingChannelStaysStalled(t *testing.T) {
	r := newRig(t, Options{Room: "attic"})
	changes, was := 0, false
	for range 10 {
		r.absorb(r.desk.ChannelState(r.now, "mqtt", false))
		for range 6 {
			r.pass(time.Minute)
			if is := len(r.desk.StalledChannels(r.now)) > 0; is != was {
				changes, was = changes+1, is
			}
		}
		r.absorb(r.desk.ChannelState(r.now, "mqtt", true))
		r.pass(time.Minute)
		if is := len(r.desk.StalledChannels(r.now)) > 0; is != was {
			changes, was = changes+1, is
		}
	}
	if changes != 1 {
		t.Errorf("the verdict changed %d times in 10 outages, want once", changes)
	}
	r.pass(6 * time.Minute)
	if len(r.desk.StalledChannels(r.now)) != 0 {
		t.Error("still stalled after 6 good minutes")
	}
}
