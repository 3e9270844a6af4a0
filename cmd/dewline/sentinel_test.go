package main

import (
	"bufio"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"dewline/alert"
	"dewline/alert/wire"
	"dewline/rules/alarm"
	"dewline/sensors"
)

// guard writes a sentinel's configuration with short limits, though long enough for
// a room on a busy machine to speak every 5 s, and starts it.
func (s *site) guard(name string, rooms ...string) *program {
	s.t.Helper()
	s.guardConfig(name, rooms...)
	return s.guardAgain(name)
}

func (s *site) guardConfig(name string, rooms ...string) {
	s.t.Helper()
	list, err := json.Marshal(rooms)
	if err != nil {
		s.t.Fatal(err)
	}
	s.write(name+".toml", fmt.Sprintf(`[room]
id = %q
timezone = "UTC"
[sentinel]
rooms = %s
silent_after = "20 s"
clock_within = "2 min"
stalled_after = "10 s"
[mqtt]
broker = %q
command_token_file = %q
heartbeat = "5 s"
[[person]]
id = "keeper"
channels = ["mqtt"]
`, name, list, s.broker, s.path("token")))
}

func (s *site) guardAgain(name string, env ...string) *program {
	s.t.Helper()
	return start(s.t, env, "sentinel", "--config", s.path(name+".toml"), "--data", s.path(name), "--control", s.path(name+".sock"))
}

// hears subscribes to the notices of sentinels.
func (b *mosquitto) hears(name string) *listener {
	b.t.Helper()
	base := "dewline/sentinel-" + name + "/"
	cmd := exec.Command("mosquitto_sub", "-h", "127.0.0.1", "-p", fmt.Sprint(b.Port()), "-c", "-i", "phone-of-"+name, "-q", "1",
		"-t", base+"#", "-F", "%t\t%p")
	out, err := cmd.StdoutPipe()
	if err != nil {
		b.t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		b.t.Fatal(err)
	}
	l := &listener{t: b.t}
	var done sync.WaitGroup
	done.Go(func() {
		for lines := bufio.NewScanner(out); lines.Scan(); {
			topic, payload, _ := strings.Cut(lines.Text(), "\t")
			l.mu.Lock()
			l.got = append(l.got, heard{strings.TrimPrefix(topic, base), payload})
			l.mu.Unlock()
		}
	})
	b.t.Cleanup(func() {
		_ = cmd.Process.Kill()
		done.Wait()
		_ = cmd.Wait()
		if b.t.Failed() {
			b.t.Logf("the phone of sentinel %s heard:\n%v", name, l.all())
		}
	})
	return l
}

// retained returns what the broker keeps on a topic.
func (b *mosquitto) retained(topic string) string {
	b.t.Helper()
	out, err := exec.Command("mosquitto_sub", "-h", "127.0.0.1", "-p", fmt.Sprint(b.Port()), "-t", topic, "-C", "1", "-W", "120").Output()
	if err != nil {
		b.t.Errorf("nothing is retained on %s: %v", topic, err)
	}
	return strings.TrimSpace(string(out))
}

// told returns what was told of an alarm of a room, each version once: a kill
// between the sending and its record sends again, under the same id.
func (l *listener) told(id alarm.ID, room string) []alert.Message {
	l.t.Helper()
	var out []alert.Message
	for _, m := range l.notices(id, room) {
		if !slices.ContainsFunc(out, func(o alert.Message) bool { return o.ID == m.ID && o.Version == m.Version }) {
			out = append(out, m)
		}
	}
	return out
}

// A killed daemon is told of, once, also where the
// sentinel is restarted in between, and its return once.
func TestSentinel_DaemonKilled(t *testing.T) {
	t.Parallel()
	s := newSite(t, "moss")
	b := newMosquitto(t, s)
	phone := b.hears("watch")
	p := s.run()
	s.ready(p)
	g := s.guard("watch", "den")
	phone.shows("status", "online")
	g.logged("watching")

	p.kill()
	eventually(t, "a notice that the room is silent", func() bool {
		return len(phone.told(alert.RoomSilent, "den")) > 0
	})
	m := phone.told(alert.RoomSilent, "den")[0]
	if m.Priority != alarm.Wake || m.Room != "sentinel-watch" || !strings.Contains(m.Text, "den") {
		t.Errorf("the notice is %+v; want wake, from sentinel-watch, about den", m)
	}

	g.kill()
	s.guardAgain("watch")
	phone.shows("status", "online")
	ctl := &control{socket: s.path("watch.sock")}
	eventually(t, "the notice is open after the sentinel's restart", func() bool {
		var snap wire.Room
		return ctl.get(t.Context(), "room", &snap) == nil && len(snap.Notices) == 1 && snap.Notices[0].ID == m.ID
	})
	code, out, errs := runDewline(t, "alarm", "ack", "--control", s.path("watch.sock"), "--by", "robin", m.ID)
	if code != exitOK {
		t.Errorf("dewline ack at the sentinel: exit %d\n%s%s", code, out, errs)
	}
	if code, out, _ = runDewline(t, "alarm", "list", "--control", s.path("watch.sock")); code != exitOK || !strings.Contains(out, "answered by robin") {
		t.Errorf("dewline alarms at the sentinel: exit %d\n%s", code, out)
	}

	p = s.resume()
	s.ready(p)
	eventually(t, "a follow-up that the room is back", func() bool {
		all := phone.told(alert.RoomSilent, "den")
		return len(all) == 2 && all[1].Kind == alert.FollowUp && all[1].ID == m.ID
	})
	b.publish("dewline/sentinel-watch/command", s.commandJSON(alert.Command{ID: "late", Action: "acknowledge", Notice: "room-silent/den/1", By: "robin"}), false)
	if r := phone.shows("command/reply", `"late"`); !strings.Contains(r, "no open notice") {
		t.Errorf("an acknowledgement of a notice that never was: %s", r)
	}
	if n := len(phone.told(alert.RoomSilent, "den")); n != 2 {
		t.Errorf("%d notices, want one and its follow-up", n)
	}
	if last := b.retained("dewline/den/status"); last != "online" {
		t.Errorf("the room's status is %q beside its sentinel, want online", last)
	}
}

// What a room says of itself is judged: a wrong clock at once, delivery that
// stalls after its limit, and rounds that stand still like silence.
func TestSentinel_WhatRoomsSay(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	b := newMosquitto(t, s)
	phone := b.hears("watch")
	s.guard("watch", "early", "stuck", "idle")
	phone.shows("status", "online")
	rooms := newPocket(t, b.Addr())
	ticker := time.NewTicker(time.Second)
	defer ticker.Stop()
	synced := sensors.KernelSynced()
	all := func() bool {
		return (!synced || len(phone.told(alarm.ClockUnset, "early")) == 1) &&
			len(phone.told(alarm.DeliveryStalled, "stuck")) == 1 && len(phone.told(alert.RoomSilent, "idle")) == 1
	}
	beat := func(cycle uint64, h alert.Heartbeat) {
		t.Helper()
		h.Time, h.ClockSet = h.Time.Add(time.Duration(time.Now().UnixNano())), true
		if h.Cycle == 0 {
			h.Cycle = cycle
		}
		doc, err := json.Marshal(h)
		if err != nil {
			t.Fatal(err)
		}
		if tok := rooms.c.Publish("dewline/"+h.Room+"/heartbeat", 1, false, doc); !tok.WaitTimeout(patience) || tok.Error() != nil {
			t.Fatalf("a heartbeat is not taken: %v", tok.Error())
		}
	}
	epoch := time.Unix(0, 0)
	cycle := uint64(1)
	for end := time.Now().Add(patience); !all(); <-ticker.C {
		if time.Now().After(end) {
			t.Fatalf("told of the clock %d times, of the delivery %d, of the silence %d; want each once",
				len(phone.told(alarm.ClockUnset, "early")), len(phone.told(alarm.DeliveryStalled, "stuck")), len(phone.told(alert.RoomSilent, "idle")))
		}
		beat(cycle, alert.Heartbeat{Room: "early", Time: epoch.Add(-14 * 24 * time.Hour)})
		beat(cycle, alert.Heartbeat{Room: "stuck", Time: epoch, Stalled: []string{"mail"}})
		beat(cycle, alert.Heartbeat{Room: "idle", Time: epoch, Cycle: 7})
		cycle++
	}
	if n := len(phone.told(alert.RoomSilent, "early")) + len(phone.told(alert.RoomSilent, "stuck")); n != 0 {
		t.Errorf("%d notices of silence about rooms that speak", n)
	}
}

// Two boards watch each other, each with a daemon and a sentinel: whichever
// board dies, the other tells, about the room and about the sentinel.
func TestSentinel_TwoBoards(t *testing.T) {
	if !long() {
		t.Skip("two boards take a minute: DEWLINE_LONG=1 go test -run TestSentinel ./cmd/dewline")
	}
	t.Parallel()
	s := newSite(t, "moss")
	b := newMosquitto(t, s)
	east, west := b.hears("den"), b.hears("west")
	p := s.run()
	s.ready(p)
	// The sentinel beside the daemon of room den has that room's id: it must
	// not be taken for the room.
	besideDen := s.guard("den", "sentinel-west")
	besideWest := s.guard("west", "den", "sentinel-den")
	east.shows("status", "online")
	west.shows("status", "online")

	p.kill()
	besideDen.kill()
	eventually(t, "west tells of the room and of its sentinel", func() bool {
		return len(west.told(alert.RoomSilent, "den")) == 1 && len(west.told(alert.RoomSilent, "sentinel-den")) == 1
	})
	p = s.resume()
	s.ready(p)
	s.guardAgain("den")
	eventually(t, "west tells that both are back", func() bool {
		return len(west.told(alert.RoomSilent, "den")) == 2 && len(west.told(alert.RoomSilent, "sentinel-den")) == 2
	})
	besideWest.kill()
	eventually(t, "the sentinel beside den tells of the other board", func() bool {
		return len(east.told(alert.RoomSilent, "sentinel-west")) == 1
	})
	if n := len(east.told(alert.RoomSilent, "den")); n != 0 {
		t.Errorf("the board that died told %d times of itself", n)
	}
}

// A sentinel whose file of what was told is damaged says so and watches on.
func TestSentinel_DamagedMemory(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	b := newMosquitto(t, s)
	if err := os.MkdirAll(s.path("watch"), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(s.path("watch"), "sentinel.json"), []byte(`{"mono":12,"docs":{"n`), 0o600); err != nil {
		t.Fatal(err)
	}
	phone := b.hears("watch")
	g := s.guard("watch", "den")
	g.logged("it may be told again")
	phone.shows("status", "online")
	if code := g.stop(); code != exitOK {
		t.Errorf("after SIGTERM: exit %d, want %d", code, exitOK)
	}
	phone.shows("status", "offline")
}

// Two sentinels on one directory would tell everything twice: the second
// refuses in words, and the first goes on. A killed one leaves no lock behind.
func TestSentinel_TwoOnOneDirectory(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	b := newMosquitto(t, s)
	phone := b.hears("watch")
	g := s.guard("watch", "den")
	phone.shows("status", "online")
	code, out, errs := runDewline(t, "sentinel", "--config", s.path("watch.toml"), "--data", s.path("watch"), "--control", s.path("second.sock"))
	if code != exitFailed || !strings.Contains(errs, "another sentinel works there") {
		t.Errorf("the second ends with %d, want %d and a reason\n%s%s", code, exitFailed, out, errs)
	}
	if code, out, errs := runDewline(t, "alarm", "list", "--control", s.path("watch.sock")); code != exitOK {
		t.Errorf("the first does not answer any more: exit %d\n%s%s", code, out, errs)
	}
	g.kill()
	s.guardAgain("watch").logged("watching")
}

// The service manager hears the words of sd_notify(3) from a sentinel too, and
// signs of life from the loop that watches.
func TestSentinel_Notifies(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	b := newMosquitto(t, s)
	phone := b.hears("watch")
	m := newManager(t, s.path("notify"))
	s.guardConfig("watch", "den")
	g := s.guardAgain("watch", "NOTIFY_SOCKET="+s.path("notify"), "WATCHDOG_USEC=400000", "WATCHDOG_PID=")
	phone.shows("status", "online")
	eventually(t, "the watchdog is fed", func() bool { return m.count("WATCHDOG=1") >= 5 })
	if code := g.stop(); code != exitOK {
		t.Errorf("exit %d", code)
	}
	eventually(t, "STOPPING=1", func() bool { return m.count("STOPPING=1") == 1 })
	if all := m.all(); all[0] != "READY=1" || m.count("READY=1") != 1 {
		t.Errorf("the service manager heard %q", all)
	}
}

// Two sentinels with one room.id, as from a copied configuration, tell of each other.
func TestSentinel_TwoOfOneName(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	b := newMosquitto(t, s)
	phone := b.hears("watch")
	s.guard("watch", "den")
	phone.shows("status", "online")
	start(t, nil, "sentinel", "--config", s.path("watch.toml"), "--data", s.path("other"), "--control", s.path("other.sock"))
	eventually(t, "both tell of each other", func() bool {
		abouts := map[string]bool{}
		for _, m := range phone.notices(alarm.DuplicateRoom, "sentinel-watch") {
			abouts[m.Text] = true
		}
		return len(abouts) == 2
	})
}
