// Package chip reads the probes that are neither of Sensirion's nor of TI's
// kind: BME280 and AHT20 through periph's drivers, BH1750 by a few lines of its
// own (periph's never sends the power-on command and starts a new measurement
// in the very transfer that reads the old one).
//
// Of periph's drivers only Sense is used, never SenseContinuous or Halt, and
// the result is looked at only after a nil error. Between driver and bus sits a
// guard that gives every transfer the sample's context and its reason, and that
// checks what the drivers do not: frames without a checksum are read twice, a
// busy chip is waited for within a limit, and values that a chip shows after a
// brown-out are refused.
package chip
