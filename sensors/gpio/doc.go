// Package gpio holds lines of the kernel's GPIO character device: one that is
// driven, and one that is watched. What a line means is for its users.
package gpio

// A Line names one line of a chip.
type Line struct {
	Chip      string // "/dev/gpiochip0"
	Offset    int
	ActiveLow bool   // active is the low level
	Bias      string // of a watched line: "pull-up", "pull-down", "none"; empty leaves it as it is
}
