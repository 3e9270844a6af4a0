package sensors

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"dewline/sensors/salt"
)

// A worn probe reads truth / gain - offset / gain, with noise and drift, so
// that gain and offset are the correction it needs.
type worn struct {
	gain, offset float64
	temp         float64 // °C to be added to what it reads
	noise        float64 // %RH
	rnd          *rand.Rand
}

func (w worn) sample(celsius, percent float64) Sample {
	n := 0.0
	if w.rnd != nil {
		n = w.noise * w.rnd.NormFloat64()
	}
	return climate(celsius-w.temp+n/10, (percent-w.offset)/w.gain+n)
}

// A bench plays a calibration at 30 s a sample.
type bench struct {
	t       *testing.T
	s       *Session
	seconds float64
	id      ProbeID
}

func (b *bench) feed(s Sample) Progress {
	b.seconds += 30
	return b.s.Observe(NewJudge(b.id, limitsOf("sht4x")).Read(at(b.seconds), s, nil))
}

// jar puts the probe over a salt until the point is taken: the humidity in the
// jar approaches the salt's with a time constant, from start.
func (b *bench) jar(w worn, name string, celsius, start, hours float64) Progress {
	b.t.Helper()
	k, err := salt.ByName(name)
	if err != nil {
		b.t.Fatal(err)
	}
	want, _, err := k.Humidity(celsius)
	if err != nil {
		b.t.Fatal(err)
	}
	for s := 0.0; s < 48*3600; s += 30 {
		truth := want + (start-want)*math.Exp(-s/3600/hours)
		if p := b.feed(w.sample(celsius, truth)); p.Stage != Settling {
			return p
		}
	}
	b.t.Fatalf("no point taken over %s in 48 h: %+v", name, b.s.now())
	return Progress{}
}

// The kept correction must bring the probe back to the truth, anywhere from 70
// to 98 %RH, within the uncertainty that it states.
func within(t *testing.T, what string, w worn, c Correction, from, to float64) {
	t.Helper()
	for truth := from; truth <= to; truth += 2 {
		w.rnd = nil
		s := w.sample(24, truth)
		u := uncertainty("sht4x", s, Applied{Humidity: &c}, Ageing{}, c.From)
		_, h := Applied{Humidity: &c}.Apply(s)
		if off := h.Percent() - truth; off > u.HumidityBelow.Percent() || -off > u.HumidityAbove.Percent() {
			t.Errorf("%s: %.1f %%RH is read as %s, stated ± %s", what, truth, h, u.HumidityAbove)
		}
	}
}

func TestSaltSessionRecoversGainAndOffset(t *testing.T) {
	rnd := rand.New(rand.NewPCG(5, 8))
	for i := range 40 {
		w := worn{gain: 0.93 + 0.14*rnd.Float64(), noise: 0.1, rnd: rnd}
		w.offset = 85*(1-w.gain) + 4*rnd.Float64() - 2 // right to 2 %RH in the middle
		second := []string{"k2so4", "kcl"}[i%2]
		s, err := NewSaltSession("x", "nacl", second)
		if err != nil {
			t.Fatal(err)
		}
		b := &bench{t: t, s: s, id: "x"}
		celsius := 20 + 8*rnd.Float64()
		if p := b.jar(w, "nacl", celsius, 60, 1+2*rnd.Float64()); p.Stage != Captured {
			t.Fatalf("first point: %+v", p)
		}
		b.s.Next()
		if p := b.jar(w, second, celsius, 75, 1+2*rnd.Float64()); p.Stage != Done {
			t.Fatalf("second point: %+v", p)
		}
		c, err := s.Result("c", "keeper", at(b.seconds).Wall)
		if err != nil {
			t.Fatalf("gain %v offset %v: %v", w.gain, w.offset, err)
		}
		within(t, fmt.Sprintf("%s, gain %.3f offset %.2f", second, w.gain, w.offset), w, c, 70, 98)
		if c.Uncertainty > 2 || c.Method != "nacl + "+second || c.By != "keeper" || len(c.Points) != 2 || c.From != c.Made {
			t.Errorf("record %+v", c)
		}
	}
}

func TestSaltSessionOnePointRecoversTheOffset(t *testing.T) {
	w := worn{gain: 1, offset: -3.4, noise: 0.1, rnd: rand.New(rand.NewPCG(1, 1))}
	s, err := NewSaltSession("x", "NaCl")
	if err != nil {
		t.Fatal(err)
	}
	b := &bench{t: t, s: s, id: "x"}
	b.jar(w, "nacl", 24, 95, 2)
	c, err := s.Result("c", "", at(b.seconds).Wall)
	if err != nil {
		t.Fatal(err)
	}
	if c.Gain != 1 || math.Abs(c.Offset+3.4) > c.Uncertainty || c.Uncertainty > 1.6 {
		t.Errorf("offset %.2f ± %.2f, want -3.40", c.Offset, c.Uncertainty)
	}
	within(t, "one point", w, c, 70, 98)
}

// A correction applies to raw values, so the one in force must not show in the
// points of the next.
func TestSaltSessionMeasuresRawValues(t *testing.T) {
	s, _ := NewSaltSession("x", "nacl")
	j := NewJudge("x", limitsOf("sht4x"))
	j.Correct(mustSet(t, Correction{ID: "old", Probe: "x", Quantity: Humidity, Made: at(0).Wall, From: at(0).Wall, Gain: 1, Offset: -6}))
	var p Progress
	for sec := 0.0; p.Stage != Done && sec < 7200; sec += 10 {
		p = s.Observe(j.Read(at(sec), climate(25, 77.29), nil))
	}
	c, err := s.Result("new", "", at(7200).Wall)
	if err != nil || math.Abs(c.Offset+2) > 0.02 { // NaCl at 25 °C: 75.29 %RH (Greenspan 1977)
		t.Errorf("offset %.2f (%v), want -2.00", c.Offset, err)
	}
}

// A probe that drifts on is right again after the next calibration, and the
// first one keeps its own stretch of the history.
func TestSaltSessionAfterDrift(t *testing.T) {
	set := new(Corrections)
	for i, drift := range []float64{-1, -3.5} {
		w := worn{gain: 1, offset: drift, noise: 0.1, rnd: rand.New(rand.NewPCG(2, uint64(i)))}
		s, _ := NewSaltSession("x", "kcl")
		b := &bench{t: t, s: s, id: "x", seconds: float64(i) * 86400 * 90}
		b.jar(w, "kcl", 23, 70, 1.5)
		c, err := s.Result(fmt.Sprint(i), "", at(b.seconds).Wall)
		if err != nil {
			t.Fatal(err)
		}
		within(t, fmt.Sprint("calibration ", i), w, c, 80, 90)
		if set, err = set.With(c); err != nil {
			t.Fatal(err)
		}
	}
	first, second := set.At("x", at(86400).Wall).Humidity, set.At("x", at(86400*100).Wall).Humidity
	if first == nil || second == nil || math.Abs(first.Offset-second.Offset-2.5) > 1 {
		t.Errorf("in force first %+v, then %+v", first, second)
	}
}

// Reads 73.1 in 75.30 and 93.0 in 97.30: gain 1.1055, offset -5.514, so 85 is
// taken for 88.46 (worked by hand from the two points).
func TestFitHumidityWorkedExample(t *testing.T) {
	gain, offset, _, err := FitHumidity([]Point{{Raw: 73.1, Reference: 75.30}, {Raw: 93.0, Reference: 97.30}})
	if math.Abs(gain-1.1055) > 5e-5 || math.Abs(offset+5.514) > 5e-4 || math.Abs(gain*85+offset-88.46) > 0.005 {
		t.Errorf("gain %.4f offset %.3f, 85 becomes %.2f", gain, offset, gain*85+offset)
	}
	if !errors.Is(err, ErrRefused) || !strings.Contains(err.Error(), "gain 1.1055 is outside 0.9 to 1.1") {
		t.Errorf("error %v, want a refusal of the gain", err)
	}
}

func TestFitHumidityBadPoints(t *testing.T) {
	for _, c := range []struct {
		points []Point
		want   string
	}{
		{nil, "through one or two points, not 0"},
		{make([]Point, 3), "through one or two points, not 3"},
		{[]Point{{Raw: 75, Reference: 75}, {Raw: 76, Reference: 78}}, "too close for a gain"},
		{[]Point{{Raw: 80, Reference: 75}, {Raw: 80, Reference: 97}}, "does not follow the humidity"},
		{[]Point{{Raw: math.NaN(), Reference: 75}}, "offset +NaN"},
	} {
		if _, _, _, err := FitHumidity(c.points); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("error %v, want %q", err, c.want)
		}
	}
}

func TestSaltSessionRefusals(t *testing.T) {
	for _, c := range []struct {
		name  string
		w     worn
		salts []string
		want  string
	}{
		{"offset", worn{gain: 1, offset: -12}, []string{"nacl"}, "offset -11.8"},
		{"gain", worn{gain: 1.15, offset: -12}, []string{"nacl", "k2so4"}, "gain 1.15"},
	} {
		s, err := NewSaltSession("x", c.salts...)
		if err != nil {
			t.Fatal(err)
		}
		b := &bench{t: t, s: s, id: "x"}
		for i, name := range c.salts {
			if i > 0 {
				b.s.Next()
			}
			b.jar(c.w, name, 24, 70, 1)
		}
		_, err = s.Result("c", "", at(b.seconds).Wall)
		if !errors.Is(err, ErrRefused) || !strings.Contains(err.Error(), c.want) || !strings.Contains(err.Error(), "probe x") {
			t.Errorf("%s: error %v, want a refusal with %q", c.name, err, c.want)
		}
	}
}

func twoSalts(t *testing.T) *bench {
	t.Helper()
	s, err := NewSaltSession("x", "nacl", "k2so4")
	if err != nil {
		t.Fatal(err)
	}
	return &bench{t: t, s: s, id: "x"}
}

// hold feeds what f says for some hours.
func (b *bench) hold(hours float64, f func(h float64) Sample) (p Progress) {
	for s := 0.0; s <= hours*3600; s += 30 {
		p = b.feed(f(s / 3600))
	}
	return p
}

func TestSessionSaysWhatIsMissing(t *testing.T) {
	for _, c := range []struct {
		want string
		f    func(h float64) Sample
		hrs  float64
	}{
		{"collecting: 30 of 60 min", func(float64) Sample { return climate(24, 75) }, 0.5},
		{"still moving by +0.30 %RH an hour", func(h float64) Sample { return climate(24, 74+0.3*h) }, 3},
		{"the temperature moved by 0.50 °C", func(h float64) Sample { return climate(24+0.5*h, 75) }, 2},
		{"stands at 45.2 %RH where 75.3 is expected: is the probe in place?", func(float64) Sample { return climate(24, 45.2) }, 3},
		{"no fixed point at -5.0 °C", func(float64) Sample { return climate(-5, 75) }, 3},
	} {
		if p := twoSalts(t).hold(c.hrs, c.f); p.Stage != Settling || !strings.Contains(p.Waiting, c.want) {
			t.Errorf("%s: %q, want %q", p.Stage, p.Waiting, c.want)
		}
	}
}

func TestSessionWantsTheProbeMoved(t *testing.T) {
	b := twoSalts(t)
	if p := b.hold(1.5, func(float64) Sample { return climate(24, 75) }); p.Stage != Captured || p.Point != 0 || p.Source != "nacl" {
		t.Fatalf("first point: %+v", p)
	}
	if p := b.s.Next(); p.Stage != Settling || p.Point != 1 || p.Source != "k2so4" || len(b.s.own.at) != 0 {
		t.Fatalf("next: %+v", p)
	}
	if p := b.hold(2, func(float64) Sample { return climate(24, 78) }); !strings.Contains(p.Waiting, "still reads as over nacl: move the probe to k2so4") {
		t.Errorf("not moved: %q", p.Waiting)
	}
	if _, err := b.s.Result("c", "", at(0).Wall); err == nil || !strings.Contains(err.Error(), "1 of 2 points are taken") {
		t.Errorf("result too early: %v", err)
	}
}

func TestSessionIgnoresOthersAndStartsAnewAfterAGap(t *testing.T) {
	s, _ := NewSaltSession("x", "nacl")
	j := NewJudge("x", limitsOf("sht4x"))
	for sec := 0.0; sec <= 3000; sec += 10 {
		s.Observe(j.Read(at(sec), climate(24, 75), nil))
		s.Observe(NewJudge("y", limitsOf("sht4x")).Read(at(sec), climate(30, 20), nil))
		s.Observe(j.Read(at(sec+5), climate(60, 60), Faultf(Heating, "heater on")))
	}
	if mean, _, _ := s.own.line(); s.own.length() != 50*time.Minute || math.Abs(mean-75) > 1e-9 {
		t.Fatalf("collected %s, mean %v", s.own.length(), mean)
	}
	p := s.Observe(j.Read(at(3000+901), climate(24, 75), nil))
	if s.own.length() != 0 || p.Stage != Settling {
		t.Errorf("after a gap of 15 min: %+v", p)
	}
}

func TestNewSaltSessionRefuses(t *testing.T) {
	for want, salts := range map[string][]string{
		"give one or two salts, not 0": {}, "give one or two salts, not 3": {"nacl", "kcl", "k2so4"},
		`salt "sugar" is not known`: {"sugar"}, "not nacl twice": {"nacl", "NaCl"},
	} {
		if _, err := NewSaltSession("x", salts...); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v: error %v, want %q", salts, err, want)
		}
	}
}

func TestIceSession(t *testing.T) {
	for _, c := range []struct {
		needs   float64
		refused bool
	}{{0.31, false}, {-1.2, false}, {-2.6, true}} {
		s := NewIceSession("x")
		j := NewJudge("x", limitsOf("ds18b20"))
		var p Progress
		seconds := 0.0
		for ; p.Stage != Done && seconds < 7200; seconds += 10 {
			truth := 22 * math.Exp(-seconds/120)
			steps := math.Round((truth-c.needs)*16) / 16 // the chip's 1/16 °C
			p = s.Observe(j.Read(at(seconds), warm(steps), nil))
		}
		got, err := s.Result("c", "keeper", at(seconds).Wall)
		if c.refused {
			if !errors.Is(err, ErrRefused) || !strings.Contains(err.Error(), "more than 2 °C") {
				t.Errorf("needs %v: error %v, want a refusal", c.needs, err)
			}
			continue
		}
		if err != nil || math.Abs(got.Offset-c.needs) > got.Uncertainty || got.Uncertainty > 0.3 || got.Method != "ice" || got.Quantity != Temperature {
			t.Errorf("needs %v: %+v, %v", c.needs, got, err)
		}
	}
}

func TestIceSessionWaitsForTheIce(t *testing.T) {
	s := NewIceSession("x")
	j := NewJudge("x", limitsOf("ds18b20"))
	var p Progress
	for sec := 0.0; sec < 3600; sec += 10 {
		p = s.Observe(j.Read(at(sec), warm(22.5), nil))
	}
	if p.Stage != Settling || !strings.Contains(p.Waiting, "stands at 22.5 °C where 0.0 is expected") {
		t.Errorf("in the warm room: %s %q", p.Stage, p.Waiting)
	}
}

// twin plays two probes in one box; the second one's corrected values count.
func twin(q Quantity, w worn, stated bool) (*Session, Progress) {
	s := NewTwinSession("x", "ref", q)
	x, ref := NewJudge("x", limitsOf("sht4x")), NewJudge("ref", limitsOf("sht4x"))
	fix := 0.5
	set, _ := NewCorrections([]Correction{
		{ID: "1", Probe: "ref", Quantity: Temperature, Made: at(0).Wall, From: at(0).Wall, Gain: 1, Offset: fix, Uncertainty: 0.15},
		{ID: "2", Probe: "ref", Quantity: Humidity, Made: at(0).Wall, From: at(0).Wall, Gain: 1, Offset: fix, Uncertainty: 1},
	})
	ref.Correct(set)
	var p Progress
	for sec := 0.0; sec < 3*3600 && p.Stage != Done; sec += 10 {
		celsius, percent := 21+0.1*math.Sin(sec/3000), 60+0.2*math.Sin(sec/5000)
		r := ref.Read(at(sec), climate(celsius-fix, percent-fix), nil)
		if !stated {
			r.Uncertainty = Stated{}
		}
		s.Observe(r)
		p = s.Observe(x.Read(at(sec), w.sample(celsius, percent), nil))
	}
	return s, p
}

func TestTwinSession(t *testing.T) {
	w := worn{gain: 1, offset: 2.5, temp: -0.7, noise: 0.1, rnd: rand.New(rand.NewPCG(3, 3))}
	for _, c := range []struct {
		q        Quantity
		want, ok float64
	}{{Temperature, -0.7, 0.4}, {Humidity, 2.5, 2.2}} {
		s, p := twin(c.q, w, true)
		if p.Stage != Done {
			t.Fatalf("%s: %+v", c.q, p)
		}
		got, err := s.Result("c", "", at(1e4).Wall)
		if err != nil || math.Abs(got.Offset-c.want) > got.Uncertainty || got.Uncertainty > c.ok || got.Method != "against ref" {
			t.Errorf("%s: offset %.2f ± %.2f (%v), want %.2f", c.q, got.Offset, got.Uncertainty, err, c.want)
		}
	}
}

func TestTwinSessionNeedsAReference(t *testing.T) {
	s, _ := twin(Temperature, worn{gain: 1}, false)
	if _, err := s.Result("c", "", at(1e4).Wall); !errors.Is(err, ErrRefused) || !strings.Contains(err.Error(), "probe ref states no uncertainty") {
		t.Errorf("error %v", err)
	}
	late := NewTwinSession("x", "ref", Temperature)
	x, ref := NewJudge("x", limitsOf("sht4x")), NewJudge("ref", limitsOf("sht4x"))
	for sec := 0.0; sec <= 2*3600; sec += 10 {
		if sec >= 3600 {
			late.Observe(ref.Read(at(sec), warm(20), nil))
		}
		if p := late.Observe(x.Read(at(sec), warm(20), nil)); p.Stage == Done {
			if sec < 3600+0.95*1800 {
				t.Errorf("done %v s after the other probe joined", sec-3600)
			}
			break
		}
	}
	alone := NewTwinSession("x", "ref", Temperature)
	if p := alone.Observe(NewJudge("x", limitsOf("")).Read(at(1), warm(20), nil)); p.Waiting != "no reading of probe ref yet" {
		t.Errorf("alone: %q", p.Waiting)
	}
}
