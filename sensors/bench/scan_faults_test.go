package bench

import (
	"math/rand/v2"
	"testing"
	"testing/synctest"

	"dewline/sensors"
)

// place is where a device sits.
type place struct{ addr, mux, channel int }

// TestAFaultyBusIdentifiesNothingWrongly scans under random faults: what the
// scan calls identified is really there, of that family and in that place.
func TestAFaultyBusIdentifiesNothingWrongly(t *testing.T) {
	truth := map[place]string{
		{0x44, 0x70, 0}: "sht4x", {0x44, 0x70, 5}: "sht3x", {0x46, 0x70, 5}: "hdc302x",
		{0x76, 0, 0}: "bme280", {0x38, 0, 0}: "aht20", {0x70, 0, 0}: sensors.Multiplexer,
	}
	total := 0
	for seed := range uint64(300) {
		synctest.Test(t, func(t *testing.T) {
			rng := rand.New(rand.NewPCG(seed, 2))
			m := newMachine(t)
			bus := m.bus(t, "i2c-1")
			mux := bus.AttachMux(0x70)
			mux.Attach(0, 0x44, &SHT4x{Air: air(), Serial: 1})
			mux.Attach(5, 0x44, &SHT3x{Air: air()})
			mux.Attach(5, 0x46, &SHT3x{Air: air(), HDC: true})
			bus.Attach(0x76, &BME280{Air: air()})
			bus.Attach(0x38, &AHT20{Air: air()})
			for range 1 + rng.IntN(6) {
				bus.Inject(BusFault{Kind: BusKinds()[rng.IntN(len(BusKinds()))], After: rng.IntN(60), Arg: rng.IntN(64)})
			}
			found, err := m.scan(t)
			if err != nil {
				t.Fatalf("seed %d: %v", seed, err)
			}
			for _, f := range found {
				if f.Certainty == sensors.Identified && truth[place{f.Address, f.MuxAddress, f.MuxChannel}] != f.Family {
					t.Errorf("seed %d: %v is not there", seed, f)
				}
			}
			total += len(found)
		})
	}
	if total < 300*4 {
		t.Errorf("only %d findings in 300 scans of 6 devices", total)
	}
}
