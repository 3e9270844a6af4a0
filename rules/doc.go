// Package rules decides: readings, actions and the passing of time go in,
// alarm transitions come out. It is pure: no I/O, no goroutine, no clock, so
// the same inputs give the same transitions byte for byte, a simulated year
// runs in minutes, and a restart goes on from the persisted state.
//
// An Engine holds one room. Step takes a reading, Tick lets time pass, Act
// carries out a person's decision, Set notes what dewline finds out about
// itself. Each alarm is a Record around the lifecycle of package alarm; what
// else is remembered is the State. Both are plain data.
//
// What holds everywhere:
//   - Limits are reached at the value itself; the ends of a band belong to it.
//   - Durations are running time. Wall time decides day, night and schedules,
//     and only while the clock is set.
//   - A missing, bad or doubted reading neither clears an alarm nor advances
//     or resets a delay. Where the probe that was hot cannot be heard, the
//     others do not speak for it.
//   - Heat is judged on the hottest trustworthy probe of an enclosure and is
//     never excused.
//
// What a person is told, and when, is decided in package alert.
package rules
