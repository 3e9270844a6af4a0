package store

import (
	"bufio"
	"context"
	"encoding/binary"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"strconv"
	"testing"
	"time"

	"dewline/rules/event"
	"dewline/sensors"
)

// TestMain lets the test binary be its own victim.
func TestMain(m *testing.M) {
	if dir := os.Getenv("DEWLINE_STORE_VICTIM"); dir != "" {
		if err := victim(dir); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	if dir := os.Getenv("DEWLINE_STORE_READER"); dir != "" {
		if err := reader(dir); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

// polls a victim makes between flushes, and its readings' distance.
const (
	victimPolls = 6
	victimStep  = 2 * time.Minute
)

// victimReading is the n-th reading of the victim, the same each time.
func victimReading(n int) sensors.Reading {
	raw := sensors.Sample{Has: sensors.HasTemperature | sensors.HasHumidity,
		Temperature: sensors.CentiCelsius(2200 + n*7919%500), Humidity: sensors.CentiPercent(8000 + n*104729%900)}
	at := sensors.Instant{Mono: time.Duration(n) * victimStep, Wall: start.Add(time.Duration(n) * victimStep), Synced: true}
	return sensors.Reading{Probe: "p", At: at, Has: raw.Has, Raw: raw,
		Temperature: raw.Temperature, Humidity: raw.Humidity, Quality: sensors.Good}
}

// victim goes on where the record ends, flushing and committing for ever, and
// says "f N" once reading N is on disk and "c N" once commit N is.
func victim(dir string) error {
	ctx := context.Background()
	s, rep, err := Open(ctx, Options{Dir: dir, CheckLater: true})
	if err != nil {
		return err
	}
	n := 0
	if !rep.LastWall.IsZero() {
		n = int(rep.LastMono/victimStep) + 1
	}
	commit := 0
	if v, err := s.Get(BucketMeta, "commit"); err != nil {
		return err
	} else if v != nil {
		commit = int(binary.BigEndian.Uint64(v))
	}
	left, _ := strconv.Atoi(os.Getenv("DEWLINE_STORE_FLUSHES")) // 0: for ever, and no error is let pass
	for tolerant := left > 0; ; left-- {
		if tolerant && left == 0 {
			for range 1000 { // the fault is counted by thread, and may begin anew on another
				if err = s.Flush(ctx, nil); err == nil {
					fmt.Println("f", n-1)
					break
				}
			}
			_ = s.Close(ctx) // and once more: what was reported counts
			return nil
		}
		for range victimPolls {
			s.Append(victimReading(n))
			n++
		}
		switch err := s.Flush(ctx, fmt.Appendf(nil, "state %d", n)); {
		case err == nil:
			fmt.Println("f", n-1)
		case tolerant:
			fmt.Println("e", n-1)
		default:
			return err
		}
		if left%40 == 0 { // now and then the file becomes another one
			if err := s.Compact(ctx); err != nil && !tolerant {
				return err
			}
		}
		if left%40 == 20 && s.Stats().Unwritten == 0 { // and now and then it starts again
			_ = s.Close(ctx)
			if s, _, err = Open(ctx, Options{Dir: dir, CheckLater: true}); err != nil && !tolerant {
				return err
			}
		}
		if left%40 == 19 {
			if err := s.Check(ctx); err != nil && !tolerant {
				return err
			}
		}
		switch err := victimCommit(s, commit+1); {
		case err == nil:
			commit++
			fmt.Println("c", commit)
		case tolerant:
			fmt.Println("e", commit)
		default:
			return err
		}
	}
}

func victimCommit(s *Store, n int) error {
	return s.Commit(Commit{
		Docs: []Doc{
			{BucketMeta, "commit", binary.BigEndian.AppendUint64(nil, uint64(n))},
			{BucketAlarms, fmt.Sprintf("a%d", n%50), fmt.Appendf(nil, "alarm %d", n)},
		},
		Journal: []event.Event{noted(sensors.Instant{}, fmt.Sprint(n))},
	})
}

// TestKill kills a writer at random moments and asks that all it reported is on
// record. DEWLINE_LONG=1 kills 400 times, DEWLINE_KILLS any
// number.
func TestKill(t *testing.T) {
	t.Parallel()
	dir := t.TempDir() // a real disk, syncs and all
	rng := rand.New(rand.NewPCG(5, 6))
	flushed, committed := -1, 0
	for round := range rounds(t, "DEWLINE_KILLS", 15, 400) {
		cmd := exec.Command(os.Args[0])
		cmd.Env = append(os.Environ(), "DEWLINE_STORE_VICTIM="+dir)
		cmd.Stderr = os.Stderr
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		timer := time.AfterFunc(time.Duration(rng.IntN(60_000))*time.Microsecond, func() { _ = cmd.Process.Kill() })
		for lines := bufio.NewScanner(out); lines.Scan(); {
			var what string
			var n int
			if _, err := fmt.Sscan(lines.Text(), &what, &n); err != nil {
				continue // cut off by the kill
			}
			if what == "f" {
				flushed = n
			} else {
				committed = n
			}
		}
		err = cmd.Wait()
		timer.Stop()
		if cmd.ProcessState.Exited() {
			t.Fatalf("round %d: the writer gave up: %v", round, err)
		}
		checkVictim(t, dir, flushed, committed)
	}
	t.Logf("%d readings and %d commits on record", flushed+1, committed)
}

func checkVictim(t *testing.T, dir string, flushed, committed int) {
	t.Helper()
	s, rep, err := Open(context.Background(), Options{Dir: dir})
	if err != nil || rep.Damage != nil {
		t.Fatalf("open after a kill: %v, %+v", err, rep)
	}
	defer s.Close(context.Background())
	n := 0
	for r, err := range s.Readings(context.Background(), "p", time.Time{}, farFuture) {
		if err != nil {
			t.Fatal(err)
		}
		if r != victimReading(n) {
			t.Fatalf("reading %d is %+v", n, r)
		}
		n++
	}
	if n <= flushed {
		t.Fatalf("%d readings on record, and %d were flushed", n, flushed+1)
	}
	v, err := s.Get(BucketMeta, "commit")
	if err != nil {
		t.Fatal(err)
	}
	have := 0
	if v != nil {
		have = int(binary.BigEndian.Uint64(v))
	}
	entries, err := s.VerifyJournal()
	if err != nil || entries < have || have < committed { // a failed commit may be there, and again
		t.Fatalf("%d commits reported, %d on record, %d in the journal: %v", committed, have, entries, err)
	}
	for d, err := range s.Docs(BucketAlarms) {
		var n, key int
		if err != nil {
			t.Fatal(err)
		}
		if _, err := fmt.Sscanf(string(d.Value), "alarm %d", &n); err != nil || d.Key != fmt.Sprintf("a%d", n%50) {
			t.Fatalf("document %s is %q (%d): %v", d.Key, d.Value, key, err)
		}
	}
}
