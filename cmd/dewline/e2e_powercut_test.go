package main

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"dewline/cmd/dewline/built"
	"dewline/sensors"
	"dewline/store"
	"dewline/store/cutsim"
)

// The real daemon's system calls are traced, its first start with no record
// included, while alarms come and go and a keeper writes notes. Then the disk is
// rebuilt as a power cut at any of those moments may leave it, and every state
// must open whole, with each note that was confirmed and all that was certain.
//
//	DEWLINE_LONG=1 go test -timeout 60m -run PowerCut ./cmd/dewline
func TestPowerCutOfTheDaemon(t *testing.T) {
	t.Parallel()
	states, rounds := 250, 12
	if long() {
		states, rounds = 10_000, 60
	}
	s := newSite(t, "fern", "moss")
	s.extra = "[rules]\nfloor_on_delay = \"0 s\"\nfloor_off_delay = \"0 s\"\n"
	log := s.path("trace")
	p := s.traced(log)
	eventually(t, "the first round of readings and rules", func() bool { _, ok := s.room(); return ok })
	for i := range rounds {
		s.climate("fern", celsiusOf(i), []float64{84, 55}[i/3%2])
		note := struct{ Enclosure, By, Text string }{"fern", "robin", fmt.Sprintf("note %d", i)}
		if err := (&control{socket: s.socket()}).post(t.Context(), "notes", note, nil); err != nil {
			t.Fatal(err)
		}
		<-time.After(400 * time.Millisecond) // real time: batches are a second apart
	}
	p.end()
	f, err := os.Open(log)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	ops, err := cutsim.Parse(f, s.data(), store.FileName)
	if err != nil {
		t.Fatal(err)
	}
	replayCuts(t, ops, states, rounds)
}

func celsiusOf(round int) float64 { return 24.5 + float64(round%8)/4 }

// replayCuts opens the record in so many states after a power cut.
func replayCuts(t *testing.T, ops []cutsim.Op, states, notes int) {
	t.Helper()
	rng := rand.New(rand.NewPCG(31, 32))
	dir := t.TempDir()
	if mem, err := os.MkdirTemp("/dev/shm", "dewline-cut-"); err == nil {
		dir = mem
		t.Cleanup(func() { _ = os.RemoveAll(mem) })
	}
	var d cutsim.Disk
	var certain recordHeld
	at, confirmed := 0, 0
	met := cutsim.Met{}
	for i, m := range cutsim.Moments(rng, states, len(ops)) {
		for ; at < m; at++ {
			d.Do(ops[at], false)
			if op := ops[at]; op.Kind == cutsim.Said && confirms(string(op.Data)) {
				confirmed++
			}
		}
		if i%25 == 0 {
			certain = holdsOf(t, dir, d.Certain())
		}
		files := d.Cut(rng)
		if !met.First(files, fmt.Sprint(confirmed, certain)) {
			continue
		}
		got := holdsOf(t, dir, files)
		if got.notes < confirmed || got.notes < certain.notes || got.entries < certain.entries || got.readings < certain.readings {
			t.Fatalf("state %d after operation %d: %+v, where %+v was certain and %d notes confirmed", i, m, got, certain, confirmed)
		}
	}
	if confirmed != notes || certain.readings == 0 || certain.entries == 0 {
		t.Errorf("the trace shows %d confirmed notes of %d, and last %+v: the test saw too little", confirmed, notes, certain)
	}
	t.Logf("%d states of %d operations, %d of them different, %d notes, last %+v", states, len(ops), len(met), confirmed, certain)
}

// confirms recognises the answer to a note.
func confirms(said string) bool {
	return strings.HasPrefix(said, "HTTP/1.1 200") && strings.Contains(said, `"ok":true`) && !strings.Contains(said, `"rounds"`)
}

// recordHeld is how much a record holds.
type recordHeld struct{ notes, entries, readings int }

// holdsOf opens the files as the next start would and reads all of them; no
// state of an honest disk may be damaged or hold a value that no probe showed.
func holdsOf(t *testing.T, dir string, files map[string][]byte) (h recordHeld) {
	t.Helper()
	if err := cutsim.Put(dir, files); err != nil {
		t.Fatal(err)
	}
	ctx := context.Background()
	st, rep, err := store.Open(ctx, store.Options{Dir: dir})
	if err != nil || rep.Damage != nil || rep.Quarantined != "" {
		t.Fatalf("open after a power cut: %v, %+v", err, rep)
	}
	defer st.Close(ctx)
	if h.entries, err = st.VerifyJournal(); err != nil {
		t.Fatal(err)
	}
	for _, err := range st.Docs(store.BucketNotes) {
		if err != nil {
			t.Fatal(err)
		}
		h.notes++
	}
	for _, p := range st.Probes() {
		last := time.Duration(-1)
		for r, err := range st.Readings(ctx, p, time.Time{}, time.Now().Add(time.Hour)) {
			if err != nil {
				t.Fatal(err)
			}
			if r.At.Mono <= last || r.Has&sensors.HasTemperature != 0 && !shown(p, r.Temperature.Celsius()) {
				t.Fatalf("a reading that was never taken: %+v", r)
			}
			last = r.At.Mono
			h.readings++
		}
	}
	return h
}

// shown reports whether a probe of the site ever showed a temperature.
func shown(p sensors.ProbeID, celsius float64) bool {
	switch p {
	case "p-room":
		return celsius == 21
	case "p-moss":
		return celsius == 24.5
	}
	for i := range 8 {
		if celsius == celsiusOf(i) {
			return true
		}
	}
	return false
}

// tracedRun is the real binary under strace.
type tracedRun struct {
	t   *testing.T
	cmd *exec.Cmd
	log *screen
}

// traced starts dewline run with its system calls written to log.
func (s *site) traced(log string) *tracedRun {
	s.t.Helper()
	s.write("dewline.toml", s.text())
	cmd, err := cutsim.Command(log, built.Dewline(s.t), "run", "--config", s.config(), "--data", s.data(), "--control", s.socket())
	if err != nil {
		s.t.Skip(err)
	}
	r := &tracedRun{t: s.t, cmd: cmd, log: &screen{}}
	cmd.Stdout, cmd.Stderr = r.log, r.log
	if err := cmd.Start(); err != nil {
		s.t.Fatal(err)
	}
	s.t.Cleanup(func() {
		if cmd.ProcessState == nil {
			r.signal(syscall.SIGKILL)
			_ = cmd.Wait()
		}
		if s.t.Failed() {
			s.t.Logf("dewline run under strace wrote:\n%s", r.log)
		}
	})
	return r
}

// signal goes to dewline, not to strace, which ends after it.
func (r *tracedRun) signal(sig syscall.Signal) {
	pid := r.cmd.Process.Pid
	children, err := os.ReadFile(fmt.Sprintf("/proc/%d/task/%d/children", pid, pid))
	if err != nil {
		r.t.Errorf("find the traced process: %v", err)
	}
	for _, child := range strings.Fields(string(children)) {
		if pid, err := strconv.Atoi(child); err == nil {
			_ = syscall.Kill(pid, sig)
		}
	}
}

// end asks for a clean end and waits for it.
func (r *tracedRun) end() {
	r.t.Helper()
	r.signal(syscall.SIGTERM)
	if err := r.cmd.Wait(); err != nil {
		r.t.Fatalf("dewline run under strace: %v", err)
	}
}
