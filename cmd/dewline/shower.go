package main

import (
	"cmp"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
	"sync"
	"time"

	"dewline/alert"
	"dewline/cmd/dewline/daemon"
	"dewline/configs"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/sensors"
	"dewline/sensors/sim"
)

// A shower prints what happens in a demo, with the simulated time before it.
type shower struct {
	loc *time.Location
	now func() sensors.Instant // in the demo

	mu     sync.Mutex // guards what follows
	w      io.Writer
	raised map[alarm.ID]int
	linked map[string]bool // notices whose link was shown
}

func (s *shower) printf(format string, args ...any) {
	s.mu.Lock()
	defer s.mu.Unlock()
	fmt.Fprintf(s.w, format, args...)
}

func (s *shower) welcome(cfg *configs.Config, page, broker, token string, o demoOptions) {
	s.printf(`dewline demo: %s, %d enclosures, %d probes, all simulated; %g simulated seconds per second
  page      http://%s/
  metrics   http://%s/metrics
  health    http://%s/healthz
  broker    tcp://%s   topics dewline/%s/#
  token     %s   (for the page, the API and commands)
  data      %s
Lines with a ☎ are what the keeper's phone shows. Stop with Ctrl-C.

`, cfg.Room.Name, len(cfg.Enclosures), len(cfg.Probes), o.speed, page, page, page, broker, cfg.Room.ID, token, o.dir)
}

// story lets each warning be held against what happened.
func (s *shower) story(beats []sim.Beat) {
	if len(beats) == 0 {
		return
	}
	s.printf("What will happen (dewline does not know):\n")
	for _, b := range beats {
		s.printf("  %s  %s\n", b.Fault.From.In(s.loc).Format("15:04"), b.Title)
	}
	s.printf("\n")
}

// notice is shown again where the phone has this version already.
func (s *shower) notice(n alert.Message, again bool) {
	when := n.Time.In(s.loc).Format("Mon 15:04")
	if again { // its time is that of the version
		when = s.now().Wall.In(s.loc).Format("Mon 15:04")
		s.printf("☎ %s  %-5s again: %s\n", when, n.Priority, n.Title)
		return
	}
	s.printf("☎ %s  %-5s %s\n", when, n.Priority, n.Title)
	for _, line := range strings.Split(strings.TrimSpace(n.Text), "\n") {
		s.printf("      %s\n", line)
	}
	if n.Kind != alert.FollowUp && n.Kind != alert.Update && !strings.Contains(n.Text, n.FirstAction) {
		s.printf("      All steps: %s\n", n.FirstAction)
	}
	if n.Ack != "" && n.Priority == alarm.Wake && n.Kind != alert.FollowUp && s.link(n.ID) {
		s.printf("      Answer: %s\n", n.Ack)
	}
}

// link reports whether a notice's link has not been shown yet.
func (s *shower) link(id string) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.linked[id] {
		return false
	}
	s.linked[id] = true
	return true
}

func (s *shower) transition(t rules.Transition) {
	if t.From != alarm.Norm || t.To != alarm.Unack {
		return
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.raised[t.Key.Alarm]++
}

// A tally is how much a phone heard.
type tally struct{ messages, notices, wakes int }

// summary closes the demo.
func (s *shower) summary(cfg *configs.Config, d *daemon.Daemon, n tally) {
	s.mu.Lock()
	total := 0
	var kinds []string
	for _, id := range slices.Sorted(maps.Keys(s.raised)) {
		total += s.raised[id]
		kinds = append(kinds, fmt.Sprintf("%s %d", id, s.raised[id]))
	}
	s.mu.Unlock()
	s.printf("\nSummary of %s\n", cfg.Room.Name)
	s.printf("  readings   %d from %d probes\n", d.Readings(), len(cfg.Probes))
	s.printf("  alarms     %d raised: %s\n", total, cmp.Or(strings.Join(kinds, ", "), "none"))
	s.printf("  notices    %d delivered through the broker in %d messages, %d of them wake notices\n", n.notices, n.messages, n.wakes)
	if snap := d.Snapshot(); snap != nil {
		s.printf("  record     %d bytes on disk, %d commits\n", snap.Record.FileBytes, snap.Record.Commits)
	}
}
