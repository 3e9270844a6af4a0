//go:build race

package corpus

const raceOn = true
