package main

import (
	"context"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"strings"
	"sync"
	"testing"
	"time"

	"dewline/alert"
	"dewline/alert/wire"
	"dewline/rules/alarm"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// The real binary is killed at random moments of its alarms' lives, start-up
// included. Whatever it confirmed must hold after the next start: no alarm and
// no notice is lost, nothing acknowledged rings again, no shelf is forgotten or
// prolonged, no onset changes its number, no notice its id, and the journal's
// chain is whole.
func TestKilledAtRandomMoments(t *testing.T) {
	t.Parallel()
	rooms, kills := 1, 8
	if long() {
		rooms, kills = 3, 100
	}
	for seed := range uint64(rooms) {
		t.Run(fmt.Sprintf("seed %d", seed), func(t *testing.T) {
			t.Parallel()
			newVictim(t, seed).live(kills)
		})
	}
}

// A victim is a room whose program is killed again and again, with what has
// been promised about it so far.
type victim struct {
	t      *testing.T
	s      *site
	rng    *rand.Rand
	pocket *pocket
	began  time.Time
	acts   int

	hot, dry map[string]bool
	seqs     map[alarm.Key]uint64    // highest onset seen
	acked    map[alarm.Key]uint64    // onset that an answer confirmed as acknowledged
	shelved  map[alarm.Key]time.Time // end of a shelf that an answer confirmed
	entries  []string                // who must stand in the journal
}

func newVictim(t *testing.T, seed uint64) *victim {
	t.Helper()
	s := newSite(t, "heat-1", "heat-2", "dry-1", "dry-2", "dry-3", "calm-1", "calm-2", "calm-3")
	s.extra = "[rules]\nfloor_on_delay = \"0 s\"\nfloor_off_delay = \"0 s\"\ndoor_excuse = \"0 s\"\n"
	b, err := startBroker()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(b.Close)
	s.broker = "tcp://" + b.addr
	s.write("dewline.toml", s.text())
	return &victim{
		t: t, s: s, rng: rand.New(rand.NewPCG(seed, 11)), pocket: newPocket(t, b.addr), began: time.Now(),
		hot: map[string]bool{}, dry: map[string]bool{}, seqs: map[alarm.Key]uint64{},
		acked: map[alarm.Key]uint64{}, shelved: map[alarm.Key]time.Time{},
	}
}

// live runs the program and kills it so many times, then lets it finish.
func (v *victim) live(kills int) {
	slowest := time.Duration(0)
	for i := range kills {
		p := v.s.resume()
		if v.rng.IntN(4) == 0 { // while it starts
			time.AfterFunc(v.upTo(1500*time.Millisecond), p.kill)
			<-p.ended
			continue
		}
		snap := v.s.ready(p)
		slowest = max(slowest, time.Since(p.started))
		v.check(i, snap)
		time.AfterFunc(v.upTo(1200*time.Millisecond), p.kill)
		for alive(p) {
			v.act(snap)
			v.pause()
			if next, ok := v.s.room(); ok {
				snap = next
				v.see(snap)
			}
		}
		if v.t.Failed() {
			v.t.Fatalf("seed stopped after kill %d", i+1)
		}
	}
	v.finish(slowest, kills)
}

func (v *victim) upTo(d time.Duration) time.Duration { return time.Duration(v.rng.Int64N(int64(d))) }

// pause waits a moment in real time, as the program under test lives in it.
func (v *victim) pause() { <-time.After(v.upTo(120 * time.Millisecond)) }

func alive(p *program) bool {
	select {
	case <-p.ended:
		return false
	default:
		return true
	}
}

// act does one random thing to the room or to an alarm.
func (v *victim) act(snap wire.Room) {
	switch n := v.rng.IntN(10); {
	case n < 3:
		e := fmt.Sprintf("dry-%d", 1+v.rng.IntN(3))
		v.dry[e] = !v.dry[e]
		humidity := 84.0
		if v.dry[e] {
			humidity = 65
		}
		v.s.climate(e, 24.5, humidity)
	case n == 3:
		e := fmt.Sprintf("heat-%d", 1+v.rng.IntN(2))
		v.hot[e] = true
		v.s.climate(e, 30.2, 84)
	case len(snap.Alarms) > 0:
		v.answer(snap.Alarms[v.rng.IntN(len(snap.Alarms))])
	}
}

// answer acts on an alarm and remembers what was confirmed.
func (v *victim) answer(a wire.Alarm) {
	v.acts++
	by := fmt.Sprintf("robin-%d.", v.acts)
	c := alert.Command{Alarm: string(a.Alarm), Subject: a.Subject, Seq: a.Seq, By: by}
	switch {
	case a.State == alarm.Shelved:
		c.Action = "unshelve"
		delete(v.shelved, keyOf(a)) // from now on either is right
	case v.rng.IntN(3) == 0:
		c.Action, c.Minutes = "shelve", 1
		delete(v.acked, keyOf(a)) // what comes from the shelf must be acknowledged anew
	default:
		c.Action = "acknowledge"
	}
	end := time.Now().Add(time.Minute)
	if v.s.command(c) != nil {
		return // refused, or killed before it answered
	}
	v.entries = append(v.entries, by)
	switch c.Action {
	case "acknowledge":
		v.acked[keyOf(a)] = a.Seq
	case "shelve":
		v.shelved[keyOf(a)] = end
	}
}

// see notes the onsets of a snapshot; none may go back.
func (v *victim) see(snap wire.Room) {
	for _, a := range snap.Alarms {
		if a.Seq < v.seqs[keyOf(a)] {
			v.t.Errorf("%s of %s was at onset %d and is at %d", a.Alarm, a.Subject, v.seqs[keyOf(a)], a.Seq)
		}
		v.seqs[keyOf(a)] = max(v.seqs[keyOf(a)], a.Seq)
	}
}

// check holds the first snapshot after a start against what was promised.
func (v *victim) check(kill int, snap wire.Room) {
	v.see(snap)
	for e := range v.hot {
		if _, open := alarmIn(snap, alarm.LethalLimit, e); !open {
			v.t.Errorf("start %d: %s is hot and its alarm is lost", kill, e)
		}
	}
	for e, dry := range v.dry {
		if _, open := alarmIn(snap, alarm.HumidityFloor, e); dry && !open {
			v.t.Errorf("start %d: %s is dry and its alarm is lost", kill, e)
		}
	}
	for k, seq := range v.acked {
		a, open := alarmIn(snap, k.Alarm, k.Subject)
		if open && a.Seq == seq && (a.State == alarm.Unack || a.State == alarm.RTNUN || a.State == alarm.LatchUnack) {
			v.t.Errorf("start %d: onset %d of %s of %s was acknowledged and is %s", kill, seq, k.Alarm, k.Subject, a.State)
		}
	}
	for k, end := range v.shelved {
		left := time.Until(end)
		if left < 0 {
			delete(v.shelved, k)
			continue
		}
		a, open := alarmIn(snap, k.Alarm, k.Subject)
		if !open || a.State != alarm.Shelved {
			v.t.Errorf("start %d: %s of %s is on the shelf for another %s and is %v", kill, k.Alarm, k.Subject, left, a.State)
		}
	}
}

// finish lets the last life go on until everything was told, and looks at what
// is left.
func (v *victim) finish(slowest time.Duration, kills int) {
	t := v.t
	p := v.s.resume()
	v.check(kills, v.s.ready(p))
	v.hot["heat-1"] = true // in a short run it may not have been its turn
	v.s.climate("heat-1", 30.2, 84)
	for e := range v.hot {
		eventually(t, "the phone knows that "+e+" is hot", func() bool { return len(v.pocket.ids(alarm.LethalLimit, e)) > 0 })
		if ids := v.pocket.ids(alarm.LethalLimit, e); len(ids) != 1 {
			t.Errorf("one overheating of %s came under %d ids: %v", e, len(ids), ids)
		}
	}
	repeats := int(time.Since(v.began)/(5*time.Minute)) + 1
	for id, n := range v.pocket.counts() {
		if n > 1+repeats+kills {
			t.Errorf("notice %s came %d times over %d starts", id, n, kills+1)
		}
	}
	if code := p.stop(); code != exitOK {
		t.Errorf("stopped with exit %d", code)
	}
	code, out, errs := runDewline(t, "journal", "--config", v.s.config(), "--data", v.s.data(), "--from", "2020-01-01")
	if code != exitOK {
		t.Fatalf("the journal: exit %d\n%s", code, errs)
	}
	for _, by := range v.entries {
		if strings.Count(out, by) < 1 {
			t.Errorf("what %q did was confirmed and is not in the journal", by)
		}
	}
	checkRecord(t, v.s, "calm-1")
	if !t.Failed() {
		t.Logf("tally: killed at random moments: %d kills, %d alarms, %d confirmed actions, 0 lost; slowest start to the first round %s",
			kills, len(v.seqs), len(v.entries), slowest.Round(time.Millisecond))
	}
}

// A pocket is a phone that stays connected to a broker that stays up.
type pocket struct {
	c   paho.Client
	mu  sync.Mutex // guards got
	got []alert.Message
}

func newPocket(t *testing.T, addr string) *pocket {
	t.Helper()
	c := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://" + addr).SetClientID("pocket"))
	p := &pocket{c: c}
	if tok := c.Connect(); !tok.WaitTimeout(patience) || tok.Error() != nil {
		t.Fatalf("connect the phone: %v", tok.Error())
	}
	tok := c.Subscribe("dewline/den/notice", 1, func(_ paho.Client, m paho.Message) {
		var n alert.Message
		if err := json.Unmarshal(m.Payload(), &n); err != nil {
			t.Errorf("a notice that is no JSON: %v", err)
			return
		}
		p.mu.Lock()
		p.got = append(p.got, n)
		p.mu.Unlock()
	})
	if !tok.WaitTimeout(patience) || tok.Error() != nil {
		t.Fatalf("subscribe the phone: %v", tok.Error())
	}
	context.AfterFunc(t.Context(), func() { c.Disconnect(100) })
	return p
}

// ids returns the ids of the notices that told of an alarm, with how often
// each came.
func (p *pocket) ids(id alarm.ID, subject string) map[string]int {
	p.mu.Lock()
	defer p.mu.Unlock()
	out := map[string]int{}
	for _, m := range p.got {
		for _, a := range m.Alarms {
			if a.Alarm == id && a.Subject == subject {
				out[m.ID]++
			}
		}
	}
	return out
}

// counts returns how often each notice came in its present version.
func (p *pocket) counts() map[string]int {
	p.mu.Lock()
	defer p.mu.Unlock()
	out := map[string]int{}
	for _, m := range p.got {
		out[fmt.Sprintf("%s version %d", m.ID, m.Version)]++
	}
	return out
}
