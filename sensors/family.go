package sensors

// A family is what one kind of probe can measure and how well, from its data
// sheet. "From memory" marks figures that were not read again for this table.
type family struct {
	name             string
	coldest, hottest CentiCelsius
	// driest and wettest bound the raw humidity. A formula that reaches past
	// 0 to 100 % is not at fault: clipping comes later.
	driest, wettest CentiPercent
	// zeros is what a frame of zeros decodes to; no zeros, no check.
	zeros    Sample
	hasZeros bool
	powerOn  CentiCelsius // the register's value before the first conversion
	// coarse is how many times longer than others the value may stand still,
	// because its steps are larger than the noise; zero for always.
	coarse int

	accuracy accuracy
}

// accuracy is about 95 %, which is how the maker of the sht families defines
// its typical figures (from memory).
type accuracy struct {
	celsius      float64 // °C
	celsiusYear  float64 // drift, °C a year
	percent      float64 // %RH up to wetFrom
	percentAt100 float64 // %RH, reached in a straight line from wetFrom
	percentYear  float64 // drift, %RH a year
	hysteresis   float64 // %RH
}

// both is the zero frame of a chip whose formula starts at these values.
func both(c CentiCelsius, p CentiPercent) Sample {
	return Sample{Has: HasTemperature | HasHumidity, Temperature: c, Humidity: p}
}

// families are the known kinds. The last entry stands for any other name.
var families = [...]family{
	{ // Sensirion SHT4x v6/v7: T -45..130 raw, RH -6..119 raw, clipped by the reader
		name: "sht4x", coldest: -4000, hottest: 12500, driest: -600, wettest: 11900,
		zeros: both(-4500, -600), hasZeros: true, coarse: 1,
		accuracy: accuracy{0.2, 0.03, 1.8, 3.0, 0.25, 0.8},
	},
	{ // Sensirion SHT3x-DIS v7, the widest part (SHT30)
		name: "sht3x", coldest: -4000, hottest: 12500, driest: 0, wettest: 10000,
		zeros: both(-4500, 0), hasZeros: true, coarse: 1,
		accuracy: accuracy{0.2, 0.03, 2.0, 4.0, 0.25, 0.8},
	},
	{ // TI HDC302x: -40..125 °C; ±3.5 %RH at most over 0 to 100 %
		name: "hdc302x", coldest: -4000, hottest: 12500, driest: 0, wettest: 10000,
		zeros: both(-4500, 0), hasZeros: true, coarse: 1,
		accuracy: accuracy{0.2, 0.03, 1.5, 3.5, 0.19, 0.8},
	},
	{ // Bosch BME280: -40..85 °C, ±3 %RH at 20 to 80 %; nothing promised wet
		name: "bme280", coldest: -4000, hottest: 8500, driest: 0, wettest: 10000, coarse: 1,
		accuracy: accuracy{1.0, 0.1, 3.0, 5.0, 0.5, 1.0},
	},
	{ // Aosong AHT20, from memory
		name: "aht20", coldest: -4000, hottest: 8500, driest: 0, wettest: 10000,
		zeros: both(-5000, 0), hasZeros: true, coarse: 1,
		accuracy: accuracy{0.3, 0.1, 2.0, 4.0, 0.5, 1.0},
	},
	{ // Maxim DS18B20: -55..125 °C in steps of 1/16, 85 °C at power-on (p. 6)
		name: "ds18b20", coldest: -5500, hottest: 12500, powerOn: 8500, coarse: 4,
		accuracy: accuracy{celsius: 0.5, celsiusYear: 0.1},
	},
	{ // ROHM BH1750: light only; a dark night is one value for hours
		name: "bh1750",
	},
	{ // dewline's own physical room
		name: "simulated", coldest: -4000, hottest: 12500, driest: -600, wettest: 11900, coarse: 1,
		accuracy: accuracy{0.2, 0.03, 2.0, 4.0, 0.25, 0.8},
	},
	{ // iio, remote and unknown: the widest of the above
		coldest: -5500, hottest: 12500, driest: -600, wettest: 11900,
		zeros: both(0, 0), hasZeros: true, coarse: 2,
		accuracy: accuracy{1.0, 0.1, 3.0, 5.0, 0.5, 1.0},
	},
}

// brightest is above what any supported light chip can report: a BH1750 at its
// lowest sensitivity ends at 121,557 lx (from memory).
const brightest = 130_000

// familyOf finds a family; unknown names get the last entry.
func familyOf(name string) *family {
	for i := range families[:len(families)-1] {
		if families[i].name == name {
			return &families[i]
		}
	}
	return &families[len(families)-1]
}

// allZero reports whether s is what a frame of zeros decodes to.
func (f *family) allZero(s Sample) bool {
	return f.hasZeros && s.Has&f.zeros.Has == f.zeros.Has &&
		s.Temperature == f.zeros.Temperature && s.Humidity == f.zeros.Humidity
}
