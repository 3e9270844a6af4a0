// Package sensors holds what a probe delivers and how it is read: the Reading and its
// quality, the poller in which one goroutine owns one bus, the judge of what one probe
// says, and the arithmetic of calibration. It keeps nothing on disk and drives nothing.
//
// Temperatures are hundredths of a degree Celsius and humidities hundredths of a percent,
// as integers.
package sensors
