// Package alarm holds the lifecycle of one alarm as plain data that can be
// persisted: the states of ANSI/ISA-18.2 and IEC 62682, on-delay, off-delay,
// deadband, latching, re-alarm, shelving and out of service.
//
// It knows no species, no probes and no people, does no I/O, reads no clock
// and starts no goroutine: time comes in with every step.
package alarm
