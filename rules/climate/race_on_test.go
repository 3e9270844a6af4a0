//go:build race

package climate

// raced says that the race detector is on. Nothing here runs in parallel, and
// simulated weeks under it take minutes.
const raced = true
