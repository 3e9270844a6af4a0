// Package summary works out what a week was like, enclosure by enclosure, and
// writes it as mail-safe HTML and as plain text that is complete by itself.
//
// Build reads the record through small interfaces and returns a Report, which
// is plain data; nothing is remembered between two weeks. Figures come from
// the record's ten-minute sums where those hold them, and from the readings,
// through the estimators of package climate, where they do not. What could not
// be told is said to be unknown, never left out or taken for zero, and nothing
// here calls a temperature or a time safe.
//
// When a summary is sent, and by whom it is carried, is decided elsewhere.
package summary
