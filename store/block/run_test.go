package block

import (
	"slices"
	"testing"

	"dewline/configs/draws"

	"pgregory.net/rapid"
)

// general decodes a block of one series without the short way for runs, and reports
// whether there would be one.
func general(t interface{ Fatal(...any) }, b []byte) (recs []Record, short bool) {
	body, err := unseal(b, formatSeries)
	if err != nil {
		t.Fatal(err)
	}
	var d Decoder
	short = d.run.read(body, &d.col)
	if recs, _, _, err = d.decode(nil, body, false); err != nil {
		t.Fatal(err)
	}
	return recs, short
}

// anyRun makes records that are a run.
func anyRun(t *rapid.T) []Record {
	n := rapid.IntRange(2, 800).Draw(t, "n") // one alone has no pace
	step := rapid.Int64Range(1, 100_000).Draw(t, "step")
	all := Record{
		Mono: rapid.Int64Range(0, 1<<45).Draw(t, "mono"), Wall: rapid.Int64Range(-1<<45, 1<<45).Draw(t, "wall"),
		Has: Temperature | Humidity, RawHas: Temperature | Humidity,
		Quality: rapid.Uint8().Draw(t, "quality"), Reason: rapid.Uint8().Draw(t, "reason"), Synced: rapid.Bool().Draw(t, "synced"),
	}
	const size = 1<<runBits - 1
	temp := line{gain: lineOne, offset: rapid.Int64Range(-500, 500).Draw(t, "offset of temperature") << lineBits}
	hum := line{gain: lineOne, offset: rapid.Int64Range(-500, 500).Draw(t, "offset of humidity") << lineBits, clip: true}
	wide := rapid.Bool().Draw(t, "wide")
	recs := make([]Record, n)
	for i := range recs {
		raw, wet := rapid.Int32Range(2000, 3000), rapid.Int32Range(-100, 11_000)
		if wide {
			raw = rapid.Int32Range(-size, size)
		}
		if i == 0 {
			wet = rapid.Int32Range(1000, 9000) // where all are clipped no line shows
		}
		r := all
		r.RawTemperature, r.RawHumidity = raw.Draw(t, "temperature"), wet.Draw(t, "humidity")
		r.Temperature, r.Humidity = int32(temp.at(int64(r.RawTemperature))), int32(hum.at(int64(r.RawHumidity)))
		recs[i] = r
		all.Mono += step
		all.Wall += step
	}
	return recs
}

func TestRun(t *testing.T) {
	draws.Check(t, func(t *rapid.T) {
		recs := anyRun(t)
		var e Encoder
		b, err := e.Append(nil, recs)
		if err != nil {
			t.Fatal(err)
		}
		var d Decoder
		if got, err := d.Decode(recs[:1:1], b); err != nil || !slices.Equal(got[1:], recs) || got[0] != recs[0] {
			t.Fatalf("did not come back: %v", err)
		}
		if got, short := general(t, b); !short || !slices.Equal(got, recs) {
			t.Fatalf("taken for a run: %v; the general way reads the same: %v", short, slices.Equal(got, recs))
		}
	})
}

// TestNoRun: what is only nearly a run comes back all the same.
func TestNoRun(t *testing.T) {
	for name, change := range map[string]func(r *Record){
		"quality":             func(r *Record) { r.Quality = 1 },
		"clock set":           func(r *Record) { r.Synced = false },
		"clock stepped":       func(r *Record) { r.Wall += 60_000 },
		"late":                func(r *Record) { r.Mono, r.Wall = r.Mono+1000, r.Wall+1000 },
		"no humidity":         func(r *Record) { r.Has, r.Humidity = Temperature, 0 },
		"no raw humidity":     func(r *Record) { r.RawHas, r.RawHumidity = Temperature, 0 },
		"light":               func(r *Record) { r.Has, r.Light = r.Has|Light, 300 },
		"calibrated away":     func(r *Record) { r.Temperature += 7 },
		"wider than a sensor": func(r *Record) { r.RawTemperature, r.Temperature = 1<<runBits+12, 1<<runBits },
	} {
		recs := room(3, 360)
		change(&recs[200])
		var e Encoder
		b, err := e.Append(nil, recs)
		if err != nil {
			t.Fatal(err)
		}
		var d Decoder
		if got, err := d.Decode(nil, b); err != nil || !slices.Equal(got, recs) {
			t.Errorf("%s: did not come back: %v", name, err)
		}
		if _, short := general(t, b); short {
			t.Errorf("%s: taken for a run", name)
		}
	}
}
