package sim

import (
	"testing"
	"time"
)

// A simulated year of 48 enclosures is 3.16 million steps of 10 s:
//
//	go test -run xxx -bench . ./sensors/sim
//
// reports the seconds that one takes.
func BenchmarkYearOf48(b *testing.B) {
	r := mustNew(b, yearRoom())
	for b.Loop() {
		r.Advance(MaxStep)
	}
	perYear(b, 1)
}

// With a sample of each of the 48 probes at every step.
func BenchmarkYearOf48Sampled(b *testing.B) {
	r := mustNew(b, yearRoom())
	b.ReportAllocs()
	for b.Loop() {
		r.Advance(MaxStep)
		for i := range r.probes {
			if _, err := r.Sample(r.probes[i].ID); err != nil {
				b.Fatal(err)
			}
		}
	}
	perYear(b, 1)
}

func yearRoom() Options {
	o := testRoom(48, julyAt(0, 0))
	litter := o.Probes[:0]
	for i, p := range o.Probes[:96] {
		if i%2 == 0 {
			litter = append(litter, p)
		}
	}
	o.Probes = litter
	return o
}

func perYear(b *testing.B, stepsPerOp int) {
	steps := float64(365*24*time.Hour) / float64(MaxStep)
	perStep := b.Elapsed().Seconds() / float64(b.N*stepsPerOp)
	b.ReportMetric(perStep*steps, "s/year")
}

// Neither a step nor a sample allocates.
func TestAllocations(t *testing.T) {
	r := mustNew(t, yearRoom())
	n := testing.AllocsPerRun(2000, func() {
		r.Advance(MaxStep)
		if _, err := r.Sample("aa-litter"); err != nil {
			t.Fatal(err)
		}
	})
	if n != 0 {
		t.Errorf("%g allocations a step", n)
	}
}
