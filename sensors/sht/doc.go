// Package sht reads Sensirion's SHT4x and SHT3x humidity probes and TI's
// HDC302x, which speaks the SHT3x command set with a different identity
// register.
//
// All three measure on demand, without clock stretching: the command is
// written, the conversion time waited out, and the frame read. Between two
// polls the chip sleeps, so it neither warms itself nor delivers an old value
// after a brown-out. Values are as measured: an SHT4x may say 103 %, which
// means condensation or dirt; clipping and calibration are the caller's.
//
// Heater pulses against creep are driven here too, because only the driver
// knows when its chip has cooled: until then Sample fails with
// sensors.Heating.
//
// A chip that browned out, was swapped or was left heating is found and set
// right on the next Sample. Judging values over time is not done here.
package sht
