package sensors

import (
	"errors"
	"math"
	"testing"
	"time"
)

func TestValuesPrintWithTwoDecimalsAndTheirUnit(t *testing.T) {
	for got, want := range map[string]string{
		CentiCelsius(2345).String():  "23.45 °C",
		CentiCelsius(-4).String():    "-0.04 °C",
		CentiPercent(7996).String():  "79.96 %",
		CentiPercent(10000).String(): "100.00 %",
		Good.String():                "good",
		Suspect.String():             "suspect",
		Bad.String():                 "bad",
		Quality(9).String():          "bad",
		Reason(200).String():         "reason-200",
	} {
		if got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}

func TestEveryReasonHasItsOwnName(t *testing.T) {
	seen := map[string]Reason{}
	for r := range numReasons {
		if other, twice := seen[r.String()]; twice || r != NoReason && r.String() == "" {
			t.Errorf("reason %d is called %q like %d", r, r, other)
		}
		seen[r.String()] = r
	}
}

func TestFaultKeepsItsCause(t *testing.T) {
	cause := errors.New("remote I/O error")
	err := Fault(StuckBusy, cause)
	if !errors.Is(err, cause) || err.Error() != "remote I/O error" || ReasonOf(err) != StuckBusy || ReasonOf(nil) != NoReason {
		t.Errorf("fault %v, reason %s", err, ReasonOf(err))
	}
}

func TestInstantMovesOnBothClocks(t *testing.T) {
	i := at(100)
	k := i.Add(-30 * time.Second)
	if k.Sub(i) != -30*time.Second || k.Wall.Sub(i.Wall) != -30*time.Second || !k.Synced || k.IsZero() || !(Instant{}).IsZero() {
		t.Errorf("%+v from %+v", k, i)
	}
}

// Rounding is that of package math, also beside a half and beyond what an int32 holds.
func TestHundredthsRoundAsMath(t *testing.T) {
	for _, v := range []float64{0.49999999999999994, 0.5, 1.5, -0.5, -1.5, 2147483646.4, 2147483648, -2147483648.6, 1e300, math.Inf(1), math.Inf(-1), math.NaN(), math.Copysign(0, -1)} {
		want := math.Round(v / 100 * 100)
		switch {
		case !(want > math.MinInt32):
			want = math.MinInt32
		case want > math.MaxInt32:
			want = math.MaxInt32
		}
		if got := CelsiusOf(v / 100); got != CentiCelsius(want) {
			t.Errorf("%g hundredths: %d, want %d", v, got, CentiCelsius(want))
		}
	}
	for v := -3000.0; v <= 3000; v += 0.0625 {
		if got, want := CelsiusOf(v/100), CentiCelsius(math.Round(v/100*100)); got != want {
			t.Fatalf("%g hundredths: %d, want %d", v, got, want)
		}
	}
}
