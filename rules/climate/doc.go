// Package climate computes what a thermometer and a hygrometer cannot show:
// dew point and wet bulb, how fast an enclosure warms and how long is left
// until a limit, the heat dose so far, whether it misted, how fast it dries,
// whether the night was cool, and what is at fault when it is not.
//
// It holds pure functions and small estimators. An estimator is a plain
// struct, is stepped with running time and values, keeps no clock and no
// pointer to one, and survives a restart through encoding/json. It knows no
// species, no limits but those handed in, no alarms and no people: package
// rules decides what a number means, package alert how it is said.
//
// Units: °C, K, percent relative humidity, Pa, g/m³, time.Duration of running
// time (never of a wall clock); an hour of day is local, 0 ≤ hour < 24.
package climate
