// Package sht reads Sensirion's SHT4x and SHT3x humidity probes and TI's HDC302x, which
// speaks the SHT3x command set with another identity register.
//
// Each measures on demand and sleeps between two polls, so it neither warms itself nor
// delivers an old value after a brown-out. Values are as measured: an SHT4x may say 103 %,
// which means condensation or dirt. A chip that browned out, was swapped or was left
// heating is set right by the next Sample.
//
// Heater pulses against creep are driven here too, since only the driver knows when its
// chip has cooled: until then Sample fails with sensors.Heating.
package sht
