package main

import (
	"bytes"
	"net"
	"os"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"dewline/alert"
	"dewline/cmd/dewline/core"
	"dewline/configs"
	"dewline/rules/alarm"
	"dewline/sensors"
	"dewline/sensors/table"
)

// The newcomer's command: a whole day in seconds, ending by itself with exit 0
// and a summary, on a busy port as well.
func TestDemo_Day(t *testing.T) {
	t.Parallel()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer ln.Close()
	var out, errs bytes.Buffer
	code := dispatch(t.Context(), []string{"demo", "--for", "24h", "--speed", "100000", "--http", ln.Addr().String(), "--data", t.TempDir()},
		stdio{in: strings.NewReader(""), out: &out, err: &errs})
	if code != exitOK {
		t.Fatalf("exit %d\n%s%s", code, &out, &errs)
	}
	if !strings.Contains(errs.String(), "the page is on 127.0.0.1:") {
		t.Errorf("a busy port is not told:\n%s", &errs)
	}
	if strings.Count(errs.String(), "\n") != 1 {
		t.Errorf("more than that is no newcomer's business:\n%s", &errs)
	}
	readings := number(t, out.String(), `readings +(\d+) from`)
	cfg := demoConfig(t)
	if want := len(cfg.Probes) * int(24*time.Hour/cfg.Room.Poll.D()); readings != want {
		t.Errorf("%d readings, want %d", readings, want)
	}
	if n := number(t, out.String(), `alarms +(\d+) raised`); n == 0 {
		t.Error("the story raised no alarm")
	}
	if n := number(t, out.String(), `messages, (\d+) of them wake`); n == 0 {
		t.Error("no wake notice was delivered through the broker")
	}
	if !strings.Contains(out.String(), "☎") || !strings.Contains(out.String(), "First: ") {
		t.Errorf("the phone shows no notice with what to do first:\n%s", &out)
	}
	// The manual tells a newcomer to open the link of a wake notice.
	links := regexp.MustCompile(`Answer: (http://127\.0\.0\.1:\d+/answer/\S+)`).FindAllStringSubmatch(out.String(), -1)
	seen := map[string]bool{}
	for _, l := range links {
		if seen[l[1]] {
			t.Errorf("the link %s is shown twice", l[1])
		}
		seen[l[1]] = true
	}
	if wakes := number(t, out.String(), `messages, (\d+) of them wake`); len(links) == 0 || len(links) > wakes {
		t.Errorf("%d links to answer %d wake notices", len(links), wakes)
	}
}

func number(t *testing.T, text, pattern string) int {
	t.Helper()
	m := regexp.MustCompile(pattern).FindStringSubmatch(text)
	if m == nil {
		t.Fatalf("the summary lacks %q:\n%s", pattern, text)
	}
	n, err := strconv.Atoi(m[1])
	if err != nil {
		t.Fatal(err)
	}
	return n
}

func demoConfig(t *testing.T) *configs.Config {
	t.Helper()
	cfg, err := table.Decode("demo.toml", configs.Demo())
	if err != nil {
		t.Fatal(err)
	}
	return cfg
}

// The demo's heat notice against the truth of its room: in every enclosure
// whose warmest spot with a probe comes to its lethal limit, a wake notice about it
// has been sent before the lethal limit is exceeded by 0.3 °C.
func TestDemo_HeatNoticeComesInTime(t *testing.T) {
	t.Parallel()
	seeds := uint64(1)
	if long() {
		seeds = 8
	}
	for seed := uint64(1); seed <= seeds; seed++ {
		told, over := demoHeat(t, seed)
		if len(over) == 0 {
			t.Errorf("seed %d: the story overheats nothing", seed)
		}
		for e, at := range over {
			if first, ok := told[e]; !ok || first.After(at) {
				t.Errorf("seed %d: %s was 0.3 °C above its lethal limit at %s; told at %s (%t)", seed, e, at.Format(time.TimeOnly), first.Format(time.TimeOnly), ok)
			}
		}
	}
}

// demoHeat runs the demo's day in the core alone and returns when each
// enclosure was first in a wake notice, and when it truly was 0.3 °C above its
// lethal limit.
func demoHeat(t *testing.T, seed uint64) (told, over map[string]time.Time) {
	t.Helper()
	cfg := demoConfig(t)
	room, _, err := demoRoom(cfg, demoOptions{seed: seed})
	if err != nil {
		t.Fatal(err)
	}
	limits := map[string]float64{}
	for _, e := range cfg.Enclosures {
		limits[e.ID] = float64(cfg.SpeciesFor(e).Lethal)
	}
	one := core.New(cfg, nil)
	judges := map[sensors.ProbeID]*sensors.Judge{}
	for _, p := range cfg.Probes {
		judges[sensors.ProbeID(p.ID)] = table.NewJudge(sensors.ProbeID(p.ID), p.Family)
	}
	told, over = map[string]time.Time{}, map[string]time.Time{}
	poll := cfg.Room.Poll.D()
	var now sensors.Instant
	hear := func(fx core.Effects) {
		for _, d := range fx.Send {
			note(told, d, now.Wall)
		}
	}
	for mono := poll; mono <= 24*time.Hour; mono += poll {
		room.Advance(poll)
		now = sensors.Instant{Mono: mono, Wall: room.Now(), Synced: true}
		for _, p := range cfg.Probes {
			id := sensors.ProbeID(p.ID)
			sample, err := room.Sample(id)
			hear(one.Reading(judges[id].Read(now, sample, err)))
		}
		hear(one.Tick(now))
		for id, limit := range limits {
			if is, _ := room.Truth(id); is.Hottest >= limit+0.3 && over[id].IsZero() {
				over[id] = now.Wall
			}
		}
	}
	return told, over
}

// note remembers when each enclosure was first in a wake notice.
func note(told map[string]time.Time, d alert.Delivery, at time.Time) {
	if d.Priority != alarm.Wake {
		return
	}
	for _, e := range d.Message.Subjects {
		if _, before := told[e]; !before {
			told[e] = at
		}
	}
}

// The binary itself, interrupted: the clean end is the same.
func TestDemo_Interrupted(t *testing.T) {
	t.Parallel()
	p := start(t, []string{"TMPDIR=" + t.TempDir()}, "demo", "--speed", "3600", "--http", "127.0.0.1:0")
	p.logged("☎")
	if err := p.cmd.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	if code := p.wait(); code != exitOK || !strings.Contains(p.log.String(), "Summary of") {
		t.Errorf("exit %d after an interrupt, want 0 and a summary", code)
	}
}
