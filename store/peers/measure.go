package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"iter"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"
)

// A job is what a child process is asked to measure.
type job struct {
	Store string
	Dir   string
	Days  int
	Kind  kind   // of the simulated room's readings
	Wear  bool   // write to a disk and count, instead of timing queries
	Size  bool   // no queries
	Set   string // an open set instead of the simulated room
	Open  string // where the open sets are
}

// A result is what it found.
type result struct {
	Readings int
	Bytes    int64   // on disk after closing
	Log      int64   // of these, a log that is not needed once all is packed
	Written  int64   // handed to the disk
	Syncs    float64 // an hour
	Ingest   time.Duration
	Opening  time.Duration
	Checking time.Duration // on top of it; 0 where opening checks, or nothing can
	Raw      time.Duration
	Hours    time.Duration
	AllDays  time.Duration
	PeakKiB  int64
	Sums     [3]summary // of the three queries
}

// run does the job in this process.
func run(j job) (result, error) {
	var r result
	batches := room(j.Days, j.Kind)
	if j.Set != "" {
		var err error
		if batches, err = openData(j.Open, j.Set); err != nil {
			return r, err
		}
	}
	open := openers[j.Store]
	if open == nil {
		return r, fmt.Errorf("no store is called %q", j.Store)
	}
	p, err := open(j.Dir)
	if err != nil {
		return r, err
	}
	if err := fillPeer(p, batches, &r); err != nil {
		return r, errors.Join(err, p.close())
	}
	if err := p.close(); err != nil {
		return r, err
	}
	if r.Bytes, r.Log, err = folderBytes(j.Dir); err != nil {
		return r, err
	}
	if j.Set == "" && !j.Wear && !j.Size {
		err = timeQueries(open, j, &r)
	}
	r.PeakKiB = peakKiB()
	return r, err
}

// fillPeer times the appends alone, not the making of the readings.
func fillPeer(p peer, batches iter.Seq[[]point], r *result) error {
	before := ioWritten()
	for batch := range batches {
		began := time.Now()
		if err := p.append(batch); err != nil {
			return err
		}
		r.Ingest += time.Since(began)
		r.Readings += len(batch)
	}
	r.Written = ioWritten() - before
	began := time.Now()
	err := p.settle()
	r.Ingest += time.Since(began)
	return err
}

// least is the shortest of several goes: what the work costs when nothing else
// on the machine is in its way.
func least(goes int, f func() error) (time.Duration, error) {
	best := time.Duration(1<<63 - 1)
	for range goes {
		began := time.Now()
		if err := f(); err != nil {
			return 0, err
		}
		best = min(best, time.Since(began))
	}
	return best, nil
}

func timeQueries(open func(string) (peer, error), j job, r *result) (err error) {
	if r.Opening, err = leastOpening(open, j.Dir); err != nil {
		return err
	}
	p, err := open(j.Dir)
	if err != nil {
		return err
	}
	began := time.Now()
	if checked, err := p.check(); err != nil {
		return errors.Join(err, p.close())
	} else if checked {
		r.Checking = time.Since(began)
	}
	end := begin + int64(j.Days)*dayMillis
	r.Raw, err = least(60, func() (err error) { r.Sums[0], err = p.raw(probes/2, end-dayMillis, end); return err })
	if err == nil {
		r.Hours, err = least(9, func() (err error) { r.Sums[1], err = p.byHour(probes/2, begin, end); return err })
	}
	if err == nil {
		r.AllDays, err = least(3, func() (err error) { r.Sums[2], err = p.byDay(begin, end); return err })
	}
	return errors.Join(err, p.close())
}

// leastOpening times only the opening, not the closing that lies between two.
func leastOpening(open func(string) (peer, error), dir string) (time.Duration, error) {
	best := time.Duration(1<<63 - 1)
	for range 9 {
		began := time.Now()
		p, err := open(dir)
		if err != nil {
			return 0, err
		}
		best = min(best, time.Since(began))
		if err := p.close(); err != nil {
			return 0, err
		}
	}
	return best, nil
}

// child does the job in a process of its own.
func child(j job) (r result, err error) {
	dir, err := os.MkdirTemp(j.Dir, "peers")
	if err != nil {
		return r, err
	}
	defer os.RemoveAll(dir)
	if j.Wear {
		return wearOut(j, dir)
	}
	j.Dir = dir
	return start(j, os.Args[0])
}

// wearOut does the job on a card, with syncs counted where strace is installed.
// Where no card can be made, what the kernel says of the process has to do.
func wearOut(j job, dir string) (r result, err error) {
	command := []string{os.Args[0]}
	counts := filepath.Join(dir, "counts")
	if strace, err := exec.LookPath("strace"); err == nil {
		command = []string{strace, "-f", "--seccomp-bpf", "-c", "-e", "trace=fsync,fdatasync,msync,syncfs", "-o", counts, os.Args[0]}
	}
	c, err := insertCard(dir)
	if err != nil {
		fmt.Fprintf(os.Stderr, "no file system of its own (%v): bytes written are the process's\n", err)
		j.Dir = dir
		if r, err = start(j, command...); err != nil {
			return r, err
		}
	} else {
		defer func() { err = errors.Join(err, c.remove()) }()
		before, err := c.written()
		if err != nil {
			return r, err
		}
		j.Dir = c.folder
		if r, err = start(j, command...); err != nil {
			return r, err
		}
		after, err := c.written()
		if err != nil {
			return r, err
		}
		r.Written = after - before
	}
	if b, err := os.ReadFile(counts); err == nil {
		r.Syncs = float64(countSyncs(string(b))) / float64(24*j.Days)
	}
	return r, nil
}

// start runs the child in a new folder inside j.Dir.
func start(j job, command ...string) (r result, err error) {
	j.Dir = filepath.Join(j.Dir, "data")
	if err := os.Mkdir(j.Dir, 0o700); err != nil {
		return r, err
	}
	asked, err := json.Marshal(j)
	if err != nil {
		return r, err
	}
	cmd := exec.Command(command[0], command[1:]...)
	cmd.Env = append(os.Environ(), "PEERS_JOB="+string(asked))
	if j.Wear {
		cmd.Env = append(cmd.Env, "PEERS_WEAR=1")
	}
	if j.Set != "" {
		cmd.Env = append(cmd.Env, "PEERS_SPARSE=1")
	}
	cmd.Stderr = os.Stderr
	out, err := cmd.Output()
	if err != nil {
		return r, fmt.Errorf("measure %s: %w", j.Store, err)
	}
	if err := json.Unmarshal(out, &r); err != nil {
		return r, fmt.Errorf("measure %s: %w", j.Store, err)
	}
	return r, nil
}

// answer is the child's side.
func answer(asked string, w io.Writer) error {
	var j job
	if err := json.Unmarshal([]byte(asked), &j); err != nil {
		return err
	}
	r, err := run(j)
	if err != nil {
		return err
	}
	return json.NewEncoder(w).Encode(r)
}

// countSyncs adds up the calls in strace's table.
func countSyncs(table string) (n int) {
	for line := range strings.Lines(table) {
		f := strings.Fields(line)
		if len(f) >= 5 && slices.Contains([]string{"fsync", "fdatasync", "msync", "syncfs"}, f[len(f)-1]) {
			calls, _ := strconv.Atoi(f[3])
			n += calls
		}
	}
	return n
}

// folderBytes is the size of all files, and of those in Prometheus' log and the
// chunks that its log tells again.
func folderBytes(dir string) (total, log int64, err error) {
	err = filepath.WalkDir(dir, func(name string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		info, err := e.Info()
		if err != nil {
			return err
		}
		total += info.Size()
		if under, _, _ := strings.Cut(strings.TrimPrefix(name, dir+"/"), "/"); under == "wal" || under == "chunks_head" {
			log += info.Size()
		}
		return nil
	})
	return total, log, err
}

// ioWritten is what the kernel counts as sent to the disk for this process.
func ioWritten() int64 { return procField("/proc/self/io", "write_bytes:") }

// peakKiB is the most memory that this process has had resident.
func peakKiB() int64 { return procField("/proc/self/status", "VmHWM:") }

func procField(file, name string) int64 {
	b, _ := os.ReadFile(file)
	for line := range strings.Lines(string(b)) {
		if f := strings.Fields(line); len(f) >= 2 && f[0] == name {
			n, _ := strconv.ParseInt(f[1], 10, 64)
			return n
		}
	}
	return 0
}
