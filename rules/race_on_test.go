//go:build race

package rules

// raceOn: the engine is single-threaded, so the long simulations prove nothing
// more under the race detector, ten times slower; they shrink.
const raceOn = true
