//go:build !race

package rules

const raceOn = false
