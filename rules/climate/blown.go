package climate

// A Blow says what air does that is blown into a wet enclosure.
type Blow string

// The answers.
const (
	BlowUnknown Blow = "unknown" // the air's humidity or the enclosure's temperature is
	BlowVent    Blow = "vent"    // vents open, fan, wet: it cools
	BlowEither  Blow = "either"  // both have a risk
	BlowShut    Blow = "shut"    // keep shut: it heats
)

// blown holds how far the wet bulb must lie under the enclosure's temperature, in
// °C: from vents on it cools enough, under shuts on it does not. At 1 m/s and more
// a frog takes the wet bulb's temperature (Mellanby 1941, J Exp Biol 18); the
// distances are a judgement.
var blown = struct{ vents, shuts float64 }{vents: 3, shuts: 1}

// BlownIn judges air of a wet bulb in °C, nil for unknown, blown into an enclosure
// at air °C.
func BlownIn(wet *float64, air float64) Blow {
	switch {
	case wet == nil || !finite(*wet) || !finite(air):
		return BlowUnknown
	case air-*wet >= blown.vents:
		return BlowVent
	case air-*wet > blown.shuts:
		return BlowEither
	}
	return BlowShut
}

// VentsFrom is the temperature in °C of an enclosure from which air of a wet bulb
// cools it enough.
func VentsFrom(wet float64) float64 { return wet + blown.vents }
