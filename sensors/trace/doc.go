// Package trace reads and writes climate records as CSV: dewline's own form,
// `time,probe,temperature_c,humidity_pct`, and foreign files with a row per moment and a
// column per quantity. Rows are streamed and judged by nobody here.
package trace
