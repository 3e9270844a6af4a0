// Package rules decides: readings, actions and the passing of time go in,
// alarm transitions come out. It is pure: no I/O, no goroutine, no clock, so
// the same inputs give the same transitions byte for byte, a simulated year
// runs in seconds, and a restart goes on from the persisted state.
//
// What a person is told, and when, is decided in package alert.
package rules
