package bench

import (
	"testing"
	"testing/synctest"

	"dewline/configs"
	"dewline/sensors"
)

// TestDriversAgreeWithTheDataSheets measures a grid of climates from frost to
// far above any lethal limit. The models solve the data sheets' own formulas
// backwards (for BME280 the double-precision ones), the drivers go forwards
// with other arithmetic.
func TestDriversAgreeWithTheDataSheets(t *testing.T) {
	climate := &Air{}
	for _, c := range []struct {
		family  string
		address int
		device  Device
		wettest float64
	}{
		{"sht4x", 0x44, &SHT4x{Air: climate}, 118},
		{"sht3x", 0x44, &SHT3x{Air: climate}, 99.9},
		{"hdc302x", 0x44, &SHT3x{Air: climate, HDC: true}, 99.9},
		{"bme280", 0x76, &BME280{Air: climate}, 99.9},
		{"aht20", 0x38, &AHT20{Air: climate}, 99.9},
	} {
		synctest.Test(t, func(t *testing.T) {
			bus := NewBus("sim")
			bus.Attach(uint16(c.address), c.device)
			driver := open(t, configs.Probe{ID: c.family, Family: c.family, Address: c.address}, bus)
			for celsius := -10.0; celsius <= 60; celsius += 2.345 {
				for percent := 1.0; percent <= c.wettest; percent += 3.21 {
					*climate = Air{Celsius: celsius, Percent: percent}
					s, err := driver.Sample(t.Context())
					if w := (&rigProbe{climate: climate}).wrong(s); err != nil || w != "" {
						t.Fatalf("%s at %.3f °C and %.3f %%: %v %s", c.family, celsius, percent, err, w)
					}
				}
			}
		})
	}
}

// TestLightAgreesWithTheDataSheet: one count is 1/1.2 lx (ROHM BH1750FVI).
func TestLightAgreesWithTheDataSheet(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		climate := &Air{}
		bus := NewBus("sim")
		bus.Attach(0x23, &BH1750{Air: climate})
		driver := open(t, configs.Probe{ID: "l", Family: "bh1750", Address: 0x23}, bus)
		for lux := 1.0; lux < 54000; lux *= 1.7 {
			climate.Lux = lux
			s, err := driver.Sample(t.Context())
			if w := (&rigProbe{climate: climate}).wrong(s); err != nil || w != "" {
				t.Fatalf("at %.1f lx: %v %s", lux, err, w)
			}
		}
		climate.Lux = 60000
		if _, err := driver.Sample(t.Context()); sensors.ReasonOf(err) != sensors.OutOfRange {
			t.Errorf("beyond the scale: %v", err)
		}
	})
}
