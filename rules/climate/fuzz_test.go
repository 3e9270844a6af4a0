package climate

import (
	"encoding/json"
	"testing"
	"time"
)

// state is what a store gives back for one enclosure.
type state struct {
	Trend   Trend
	Thermal *Thermal
	Dose    Dose
	Mist    MistDetector
	Watch   MistWatch
	Dry     DryDown
	Night   Night
	Lamps   LampWatch
	Door    Door
	Offset  HourOffset
}

// FuzzState feeds whatever decodes as a state through every step: a damaged
// record may cost what it held, never a panic on the way of a reading.
//
//	go test ./rules/climate -run '^$' -fuzz FuzzState -fuzztime 1m
func FuzzState(f *testing.F) {
	for _, s := range []string{
		`{}`, `{"Trend":{"head":99,"filled":-3,"count":-1}}`, `{"Thermal":{"params":{"fast":0},"slot":-9000000000,"started":true}}`,
		`{"Mist":{"head":-1,"filled":1000,"phase":2,"record":{"n":-5,"pace":-1},"plateaus":{"n":4294967295}}}`,
		`{"Night":{"phase":{"n":5,"bin":-7,"count":2},"on":true,"n":4294967295}}`, `{"Door":{"head":70,"mark":{"count":-2}}}`,
		`{"Offset":{"hour":-5,"open":{"n":9},"next":[200],"count":[200]}}`, `{"Lamps":{"ups":{"n":4000000000},"waiting":true}}`,
		`{"Dry":{"n":4294967295},"Watch":{"n":77,"waiting":true}}`,
	} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, raw []byte) {
		var s state
		if json.Unmarshal(raw, &s) != nil {
			return
		}
		if s.Thermal == nil {
			s.Thermal = NewThermal(0)
		}
		for i := range 200 {
			at := time.Duration(i) * 3 * time.Minute
			temp, rh, on := 25+float64(i%9), 60+float64(i%40), i%100 < 50
			s.Trend.Observe(at, temp)
			s.Trend.Slope()
			s.Trend.Change()
			s.Thermal.Observe(ThermalReading{At: at, Air: temp, Room: 22, HasRoom: true, Hour: float64(i % 24)})
			s.Dose.Observe(limits, at, temp)
			s.Mist.Observe(at, temp, rh)
			s.Watch.Expect(at, MistTime(i%5))
			s.Watch.Verdict(at+time.Hour, &s.Mist)
			s.Watch.Dry(at, temp, rh, 22, -1, &s.Mist, MistTime(i%5))
			s.Dry.Add(at, time.Hour)
			s.Dry.Hint()
			s.Night.Observe(at, temp, on)
			s.Night.Streak(2)
			s.Lamps.Observe(at, temp, 22, true, on)
			s.Lamps.ObserveLight(at, rh, on)
			s.Door.Observe(DoorReading{At: at, Temp: temp, RH: rh})
			s.Offset.Observe(float64(i%24), temp)
			s.Offset.At(float64(i % 24))
		}
		s.Thermal.Forecast(Outlook{At: 10 * time.Hour, Air: 25, Room: 22, HasRoom: true, Lethal: 30})
		s.Thermal.WhatIf(25, 33, 0, true, 30)
		s.Thermal.Refit()
	})
}
