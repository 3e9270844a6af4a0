package sensors

// limitsOf are the limits of some probes as these tests know them: SHT4x v6,
// SHT3x-DIS v7, DS18B20 19-7487, and a BH1750, which knows light only. Package
// table tests what is in force.
func limitsOf(family string) Limits {
	sht := Limits{
		Coldest: -4000, Hottest: 12500, Wettest: 11900, Zeros: Zeros(-4500, -600), Coarse: 1,
		Accuracy: Accuracy{0.2, 0.03, 1.8, 3.0, 0.25, 0.8},
	}
	switch family {
	case "sht4x":
		return sht
	case "sht3x":
		sht.Wettest, sht.Zeros = 10000, Zeros(-4500, 0)
		sht.Accuracy = Accuracy{0.2, 0.03, 2.0, 4.0, 0.25, 0.8}
		return sht
	case "ds18b20":
		return Limits{Coldest: -5500, Hottest: 12500, PowerOn: 8500, Coarse: 4, Accuracy: Accuracy{Celsius: 0.5, CelsiusYear: 0.1}}
	case "bh1750":
		return Limits{Brightest: 130_000}
	}
	return WidestLimits()
}
