package sensors

// A Contact is what one contact says: a fact, or the figure of a battery.
type Contact struct {
	ID string
	At Instant
	// Known is false where it cannot be read or has said nothing for too long: then
	// nothing follows from it. Waiting says that it may not have been heard yet.
	Known, Waiting bool
	Active         bool
	Value          float64 // of a battery, in the unit of its section
	Why            string  // it is not known
}
