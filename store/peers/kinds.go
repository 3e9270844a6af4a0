package main

import (
	"fmt"
	"io"
	"iter"
	"math"
	"math/rand/v2"
	"regexp"
	"slices"
	"time"
)

// A kind is one form that a room's readings can come in.
type kind struct {
	Name   string
	Poll   int64 // milliseconds between readings of a probe: a multiple of stepMillis
	Tenths bool  // values in steps of 0.1, not of 0.01
	Stamps stampForm
}

// A stampForm says where readings lie beside the grid of polls.
type stampForm int

const (
	onGrid       stampForm = iota
	wholeSeconds           // σ 0.6 s off the grid, in whole seconds
	jittered               // σ 0.6 s off the grid, in milliseconds
	gappy                  // on the grid, one of 30 missing, and 3 h once in 40
)

// kinds is the order of the table; the first is what the stores' speed is measured on.
var kinds = []kind{
	{Name: "0.01 steps, 10 s", Poll: 10_000},
	{Name: "0.1 steps, 10 s", Poll: 10_000, Tenths: true},
	{Name: "0.01 steps, 60 s", Poll: 60_000},
	{Name: "0.1 steps, 60 s", Poll: 60_000, Tenths: true},
	{Name: "0.01 steps, 300 s", Poll: 300_000},
	{Name: "0.1 steps, 300 s", Poll: 300_000, Tenths: true},
	{Name: "0.01 steps, 10 s, whole seconds", Poll: 10_000, Stamps: wholeSeconds},
	{Name: "0.1 steps, 10 s, whole seconds", Poll: 10_000, Tenths: true, Stamps: wholeSeconds},
	{Name: "0.1 steps, 300 s, whole seconds", Poll: 300_000, Tenths: true, Stamps: wholeSeconds},
	{Name: "0.01 steps, 10 s, jittered", Poll: 10_000, Stamps: jittered},
	{Name: "0.1 steps, 10 s, jittered", Poll: 10_000, Tenths: true, Stamps: jittered},
	{Name: "0.01 steps, 60 s, jittered", Poll: 60_000, Stamps: jittered},
	{Name: "0.01 steps, 300 s, jittered", Poll: 300_000, Stamps: jittered},
	{Name: "0.1 steps, 300 s, jittered", Poll: 300_000, Tenths: true, Stamps: jittered},
	{Name: "0.01 steps, 10 s, gappy", Poll: 10_000, Stamps: gappy},
	{Name: "0.1 steps, 10 s, gappy", Poll: 10_000, Tenths: true, Stamps: gappy},
	{Name: "0.01 steps, 60 s, gappy", Poll: 60_000, Stamps: gappy},
	{Name: "0.1 steps, 60 s, gappy", Poll: 60_000, Tenths: true, Stamps: gappy},
	{Name: "0.01 steps, 300 s, gappy", Poll: 300_000, Stamps: gappy},
	{Name: "0.1 steps, 300 s, gappy", Poll: 300_000, Tenths: true, Stamps: gappy},
}

// hundredths is a value in the record's unit, on the kind's step.
func (k kind) hundredths(v float64) int32 {
	if k.Tenths {
		return 10 * int32(math.Round(v*10))
	}
	return hundredths(v)
}

// stamps makes the times of readings, from a source of its own: the values are
// the same whatever their times.
type stamps struct {
	kind kind
	rng  *rand.Rand
	away [probes]int64 // until when a probe is gone
}

func newStamps(k kind) *stamps { return &stamps{kind: k, rng: rand.New(rand.NewPCG(48, 7))} }

// next is when the reading of a poll is stamped, false where there is none.
func (s *stamps) next(probe int, due int64) (int64, bool) {
	off := max(min(s.rng.NormFloat64()*600, 4000), -4000)
	switch s.kind.Stamps {
	case wholeSeconds:
		return due + 1000*int64(math.Round(off/1000)), true
	case jittered:
		return due + int64(math.Round(off)), true
	case gappy:
		if s.rng.Float64()*40*3*hourMillis < float64(s.kind.Poll) {
			s.away[probe] = due + 3*hourMillis
		}
		return due, due >= s.away[probe] && s.rng.IntN(30) > 0
	}
	return due, true
}

// bound is the entropy of readings, in bytes a reading: what a coder of fixed
// tables that sees one difference at a time cannot beat. See README.md.
func bound(batches iter.Seq[[]point], poll int64) float64 {
	all := map[int]*histograms{}
	for batch := range batches {
		for _, x := range batch {
			h := all[x.probe]
			if h == nil {
				h = &histograms{last: x}
				for i := range h.counts {
					h.counts[i] = map[int64]int{}
				}
				all[x.probe] = h
				continue
			}
			h.add(x, poll)
		}
	}
	var bits, n float64
	for _, h := range all {
		e := func(i int) float64 { return entropy(h.counts[i], h.n) }
		bits += e(0) + e(1) + min(e(2), e(3)+e(4))
		n += float64(h.n)
	}
	return bits / n / 8
}

// histograms counts, for one probe, the differences of temperature and humidity, the
// distances of stamps, and then the polls passed and how far stamps are off them.
type histograms struct {
	last   point
	n      int
	counts [5]map[int64]int
}

func (h *histograms) add(x point, poll int64) {
	polls := func(at int64) int64 { return (at - begin + poll/2) / poll }
	h.counts[0][int64(x.temp-h.last.temp)]++
	h.counts[1][int64(x.hu-h.last.hu)]++
	h.counts[2][x.at-h.last.at]++
	h.counts[3][polls(x.at)-polls(h.last.at)]++
	h.counts[4][x.at-begin-polls(x.at)*poll]++
	h.last = x
	h.n++
}

func entropy[K comparable](counts map[K]int, n int) (bits float64) {
	for _, c := range counts {
		bits -= float64(c) * math.Log2(float64(c)/float64(n))
	}
	return bits
}

// kindTable measures the size of all kinds in dewline's record and, where it is among the
// stores asked for, in Prometheus.
func kindTable(o options, pattern *regexp.Regexp, w io.Writer) error {
	fmt.Fprintf(w, "%d probes, %d days, %s; bytes a reading, the whole file.\n\n", probes, o.days, time.Now().Format(time.DateOnly))
	fmt.Fprintln(w, "| kind | bound | dewline | × bound | Prometheus without its log | with it | × dewline |")
	fmt.Fprintln(w, "|---|---|---|---|---|---|---|")
	for _, k := range kinds {
		if !pattern.MatchString(k.Name) {
			continue
		}
		least := bound(room(o.days, k), k.Poll)
		ours, err := child(job{Store: "dewline", Dir: o.memory, Days: o.days, Kind: k, Size: true})
		if err != nil {
			return err
		}
		n := float64(ours.Readings)
		a := float64(ours.Bytes) / n
		fmt.Fprintf(w, "| %s | %.3f | %.3f | %.2f |", k.Name, least, a, a/least)
		if slices.Contains(o.stores, "prometheus") {
			peer, err := child(job{Store: "prometheus", Dir: o.memory, Days: o.days, Kind: k, Size: true})
			if err != nil {
				return err
			}
			b := float64(peer.Bytes-peer.Log) / n
			fmt.Fprintf(w, " %.2f | %.2f | %.1f |", b, float64(peer.Bytes)/n, b/a)
		}
		fmt.Fprintln(w)
	}
	return nil
}
