//go:build !race

package corpus

const raceOn = false
