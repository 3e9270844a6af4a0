package configs

import "slices"

// Families are what a configuration asks of the kinds of probe that there are.
// Package table of the sensors answers.
type Families interface {
	// Complete fills in what a probe's family decides: its default address and
	// what it measures. It runs before the checks and leaves a probe of an
	// unknown family alone.
	Complete(p *Probe)
	// Check reports what is wrong with how one [[probe]] section says that its
	// probe is reached.
	Check(s *Section, p Probe, c *Config)
}

// A Section is one section of the file with its places, for those who know
// better than this package what may stand in it.
type Section struct {
	k *checker
	t *element
}

// Has reports whether the section gives the key.
func (s *Section) Has(key string) bool { return s.t.has(key) }

// Keys returns the section's keys in the order of the file.
func (s *Section) Keys() []string { return slices.Clone(s.t.names) }

// Fault reports what is wrong with a key and what to do, unless its value was
// refused already. Without the key it points at the section, as it does for the
// empty key.
func (s *Section) Fault(key, do, format string, args ...any) {
	s.k.fault(s.t, key, do, format, args...)
}

// OneOf checks a text against the few words that it may be.
func (s *Section) OneOf(key, got string, allowed ...string) { s.k.oneOf(s.t, key, got, allowed...) }

// Within checks that a duration is from least to most, both included.
func (s *Section) Within(key string, got, least, most Duration) {
	s.k.durations(s.t, within{key, got, least, most})
}

// Together checks that two keys are given both or not at all.
func (s *Section) Together(a, b string) { s.k.together(s.t, a, b) }
