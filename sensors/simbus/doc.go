// Package simbus is an I²C bus made of models: devices at addresses, behind
// multiplexers where wanted, that obey the chips' command sets closely enough
// for the real drivers, and faults on command. Time is the goroutine's, so in
// testing/synctest a slow device costs nothing.
//
// Devices that share an address and can be reached at once answer at once, and
// their bytes are and-ed as on open-drain wires; the bus counts how often that
// happened.
//
// It is for tests and the demo. It holds no model of a room; see simroom.
package simbus
