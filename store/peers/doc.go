// Command peers measures dewline's record beside general-purpose stores on the
// same readings: Prometheus' tsdb library, SQLite with a row per reading, and
// bbolt with a key per reading. It is a module of its own, so that none of them
// becomes a dependency of dewline.
//
//	go run .              a few simulated days, under a minute
//	go run . -days 30 -slow 7    the figures in README.md, about ten minutes
//
// Each store runs in a child process of its own, three times: to fill and query
// a record in memory, to write one day to a small file system of its own whose
// device counts (as root), and to pack the open data (-open). Times are to be compared as ratios within one run.
package main
