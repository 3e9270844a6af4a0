package climate

import (
	"encoding/json"
	"fmt"
	"math"
	"testing"
	"time"

	"dewline/configs/draws"

	"pgregory.net/rapid"
)

// through returns a copy of v that went through JSON, as over a restart.
func through[T any](t *rapid.T, v *T) *T {
	raw, err := json.Marshal(v)
	if err != nil {
		t.Fatalf("%T: %v", v, err)
	}
	copied := new(T)
	if err := json.Unmarshal(raw, copied); err != nil {
		t.Fatalf("%T: %v", v, err)
	}
	return copied
}

// same runs one step on the original and on its copy and wants the same answer.
func same[T any](t *rapid.T, v *T, step func(*T) any) {
	copied := through(t, v)
	if a, b := fmt.Sprint(step(v)), fmt.Sprint(step(copied)); a != b {
		t.Fatalf("%T: after JSON %s, was %s", v, b, a)
	}
}

// Whatever happened before, an estimator goes on after a restart as if there
// had been none.
func TestEstimatorsSurviveARestart(t *testing.T) {
	draws.Check(t, func(t *rapid.T) {
		var (
			trend  Trend
			dose   Dose
			mist   MistDetector
			watch  MistWatch
			dry    DryDown
			night  Night
			lamps  LampWatch
			door   Door
			offset HourOffset
		)
		at := time.Duration(0)
		rh, temp := 80.0, 25.0
		for range rapid.IntRange(1, 60).Draw(t, "stretches") {
			step := time.Duration(rapid.SampledFrom([]int{10, 60, 300, 1200}).Draw(t, "step")) * time.Second
			rh = rapid.Float64Range(20, 100).Draw(t, "%")
			temp += rapid.Float64Range(-3, 3).Draw(t, "°C")
			on := rapid.Bool().Draw(t, "on")
			for range rapid.IntRange(1, 40).Draw(t, "readings") {
				at += step
				trend.Observe(at, temp)
				dose.Observe(limits, at, temp)
				mist.Observe(at, temp, rh)
				if v, _ := watch.Verdict(at, &mist); v != MistPending {
					watch.Settle(v, false)
				}
				watch.Dry(at, temp, rh, 22, -1, &mist, MistLit)
				night.Observe(at, temp, on)
				lamps.Observe(at, temp, 22, true, on)
				lamps.ObserveLight(at, rh*10, on)
				door.Observe(DoorReading{At: at, Temp: temp, RH: rh})
				offset.Observe(math.Mod(at.Hours(), 24), temp-22)
			}
			watch.Expect(at, MistLit)
			if p, ok := mist.Last(); ok {
				dry.Add(p.Start, p.HalfLife)
			}
		}
		at += time.Minute
		hour := math.Mod(at.Hours(), 24)
		same(t, &trend, func(v *Trend) any { v.Observe(at, temp); s, ok := v.Slope(); return fmt.Sprint(s, ok) })
		same(t, &dose, func(v *Dose) any { v.Observe(limits, at, temp); return *v })
		same(t, &watch, func(v *MistWatch) any {
			a, b := v.Verdict(at, &mist)
			v.Dry(at, temp, rh, 22, -1, &mist, MistDark)
			return fmt.Sprint(a, b, *v)
		})
		same(t, &mist, func(v *MistDetector) any {
			e := v.Observe(at, temp, rh)
			v.finish()
			return fmt.Sprint(e, v.Done)
		})
		same(t, &dry, func(v *DryDown) any { a, b, c, ok := v.Trend(); return fmt.Sprint(a, b, c, ok) })
		same(t, &night, func(v *Night) any { v.Observe(at, temp, !v.On); r, _ := v.Report(); return fmt.Sprint(r, v.Streak(2)) })
		same(t, &lamps, func(v *LampWatch) any { v.Observe(at, temp, 22, true, true); return fmt.Sprint(*v) })
		same(t, &door, func(v *Door) any { return fmt.Sprint(v.Observe(DoorReading{At: at, Temp: temp, RH: rh / 2}), v.Ajar()) })
		same(t, &offset, func(v *HourOffset) any { c, ok := v.At(hour); return fmt.Sprint(c, ok) })
	})
}

// A whole enclosure's state is written often; it must stay small.
func TestStateIsSmall(t *testing.T) {
	m, _ := learnedThermal(t)
	s := steps{thermal: m}
	for i := range 3 * 8640 {
		s.step(i + 7*8640)
	}
	total := 0
	for name, v := range map[string]any{
		"trend": &s.trend, "thermal": s.thermal, "offset": &s.offset, "dose": &s.dose, "mist": &s.mist,
		"watch": &s.watch, "night": &s.night, "lamps": &s.lamps, "door": &s.door,
	} {
		raw, err := json.Marshal(v)
		if err != nil {
			t.Fatal(err)
		}
		t.Logf("%s: %d bytes", name, len(raw))
		total += len(raw)
	}
	if total > 32<<10 {
		t.Errorf("an enclosure's state takes %d bytes of JSON, want at most 32 KiB", total)
	}
}

// A state that an older version wrote is read: what it lacks is learned anew.
func TestStateOfAnOlderVersion(t *testing.T) {
	var lamps LampWatch
	old := `{"started":true,"on":true,"switch":1000,"last":2000,"waiting":true,"has_room":true,"before":1.5,"after":{"mean":2,"n":3},` +
		`"ups":{"steps":[1],"n":1},"result":{"on":true,"step":2},"measured":true,"light":{"log_on":7,"seen_on":3}}`
	if err := json.Unmarshal([]byte(old), &lamps); err != nil || lamps.Light.SeenOn != 3 {
		t.Errorf("%v, %+v", err, lamps.Light)
	}
	var watch MistWatch
	if err := json.Unmarshal([]byte(`{"waiting":true,"due":5,"rises":[1,2],"n":2}`), &watch); err != nil || watch.Due != 5 {
		t.Errorf("%v, %+v", err, watch)
	}
	var mist MistDetector
	if err := json.Unmarshal([]byte(`{"phase":1,"soak":{"on":true,"pulse":true},"plateaus":{"n":3}}`), &mist); err != nil {
		t.Error(err)
	}
}
