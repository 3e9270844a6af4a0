package configs

// The busiest room that one dewline watches and records without a gap; tests of
// package store keep such rooms. A busier one is refused.
const (
	MostProbes            = 5000
	MostReadingsPerSecond = 500 // of all probes
)
