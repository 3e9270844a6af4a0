// Package trace reads and writes climate records as CSV: dewline's own form,
// `time,probe,temperature_c,humidity_pct`, and foreign files with a row per
// moment and a column per quantity, as open data has them.
//
// Rows are streamed: memory does not grow with the file, and a row in the
// package's own form costs no allocation. It judges nothing; a row is a value
// as recorded, and turning it into a reading is the caller's.
package trace
