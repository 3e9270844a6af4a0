package block

import (
	"math"
	"math/rand/v2"
)

// room makes one probe's day of invented readings: lamps, a night drop, mist
// pulses that decay, a slow swing of the room, and sensor noise of 0.02 °C and
// 0.1 %RH, rounded to 0.01. Ten seconds apart.
func room(seed uint64, n int) []Record {
	r := rand.New(rand.NewPCG(seed, 7))
	temp, hum, swing := 22.5+r.Float64()*2, 78+r.Float64()*8, r.Float64()*7
	recs := make([]Record, n)
	pulse := 0.0
	for i := range recs {
		sec := float64(i) * 10
		day := math.Mod(sec/3600, 24)
		target := 22.3 + 0.6*math.Sin(sec/7000+swing)
		if day > 8 && day < 20 {
			target += 3
		}
		temp += (target - temp) * 10 / 2400
		if m := math.Mod(sec, 6*3600); m > 1000 && m < 1040 {
			pulse += (96 - hum - pulse) * 0.3
		}
		pulse -= pulse * 10 / 2700
		base := 80 - (temp-22.3)*2
		hum += (base - hum) * 10 / 3000
		recs[i] = Record{
			Mono: int64(i) * 10000, Wall: 1_790_000_000_000 + int64(i)*10000,
			Value: Values{int32(math.Round((temp + r.NormFloat64()*0.02) * 100)), int32(math.Round((hum + pulse + r.NormFloat64()*0.1) * 100))},
			Has:   Temperature | Humidity, RawHas: Temperature | Humidity, Quality: 2, Synced: true,
		}
		recs[i].Raw = Values{recs[i].Value[0] + 12, recs[i].Value[1] - 150}
	}
	return recs
}

// bound is the order-zero entropy of first differences, in bytes a reading.
func bound(recs []Record) float64 {
	t, h := map[int32]int{}, map[int32]int{}
	for i := 1; i < len(recs); i++ {
		t[recs[i].Value[0]-recs[i-1].Value[0]]++
		h[recs[i].Value[1]-recs[i-1].Value[1]]++
	}
	return (entropy(t, len(recs)-1) + entropy(h, len(recs)-1)) / 8
}

func entropy(counts map[int32]int, n int) (bits float64) {
	for _, c := range counts {
		p := float64(c) / float64(n)
		bits -= p * math.Log2(p)
	}
	return bits
}
