package sensors

// Limits are what one kind of probe can measure and how well, from its data
// sheet. "From memory" marks figures that were not read again.
type Limits struct {
	Coldest, Hottest CentiCelsius
	// Driest and Wettest bound the raw humidity. A formula that reaches past
	// 0 to 100 % is not at fault: clipping comes later.
	Driest, Wettest CentiPercent
	// Zeros is what a frame of zeros decodes to; one without quantities is not
	// looked for.
	Zeros   Sample
	PowerOn CentiCelsius // the register's value before the first conversion; 0 for none
	// Coarse is how many times longer than others the value may stand still,
	// because its steps are larger than the noise; zero for always.
	Coarse    int
	Brightest uint32 // lx; 0 for a probe without light
	Accuracy  Accuracy
}

// Accuracy is about 95 %, which is how the maker of the SHT families defines
// its typical figures (from memory).
type Accuracy struct {
	Celsius      float64 // °C
	CelsiusYear  float64 // drift, °C a year
	Percent      float64 // %RH up to wetFrom; 0 for a probe without humidity
	PercentAt100 float64 // %RH, reached in a straight line from wetFrom
	PercentYear  float64 // drift, %RH a year
	Hysteresis   float64 // %RH
}

// Zeros is the zero frame of a chip whose formulas start at these values.
func Zeros(c CentiCelsius, p CentiPercent) Sample {
	return Sample{Has: HasTemperature | HasHumidity, Temperature: c, Humidity: p}
}

// WidestLimits are those of a probe of which nobody says what it is: the widest
// of all families.
func WidestLimits() Limits {
	return Limits{
		Coldest: -5500, Hottest: 12500, Driest: -600, Wettest: 11900,
		Zeros: Zeros(0, 0), Coarse: 2, Brightest: 130_000,
		Accuracy: Accuracy{1.0, 0.1, 3.0, 5.0, 0.5, 1.0},
	}
}

// allZero reports whether s is what a frame of zeros decodes to.
func (l *Limits) allZero(s *Sample) bool {
	return l.Zeros.Has != 0 && s.Has&l.Zeros.Has == l.Zeros.Has &&
		s.Temperature == l.Zeros.Temperature && s.Humidity == l.Zeros.Humidity
}
