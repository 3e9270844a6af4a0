package alert

import (
	"slices"
	"time"
)

// A Ledger is what an onset knows of itself since it rings: which versions named
// it, to whom they were handed, and who answered. It stands in the Member, and so
// in the document of its notice. Whom to tell next, what is repeated and what an
// answer covers follow from it.
type Ledger struct {
	// Told says that the version said last told of it as active, Covered that
	// an acknowledgement covers it.
	Told    bool `json:"told,omitempty"`
	Covered bool `json:"covered,omitempty"`
	// Named lists the versions that first named it, one for each notice that it
	// stood under; ToldAt is when the first was said, in running time. Heard says
	// that one of them was handed over to somebody.
	Named  []Naming      `json:"named,omitempty"`
	ToldAt time.Duration `json:"told_at,omitempty"`
	Heard  bool          `json:"heard,omitempty"`
	// Handed says to whom, and Answered who answered; an older document has neither.
	Handed   []Handing  `json:"handed,omitempty"`
	Answered *Answering `json:"answered,omitempty"`
}

// A Naming is the first version of a notice that names an alarm.
type Naming struct {
	Notice  string `json:"notice"`
	Version int    `json:"version"`
}

// A Handing is the first version that a channel took over for a person and that
// names an alarm.
type Handing struct {
	Person  string        `json:"person"`
	Channel string        `json:"channel"`
	Notice  string        `json:"notice"`
	Version int           `json:"version"`
	At      time.Duration `json:"at"` // running time
}

// An Answering is the answer that covers an alarm; no notice where it was answered
// by itself.
type Answering struct {
	By      string        `json:"by"`
	Notice  string        `json:"notice,omitempty"`
	Version int           `json:"version,omitempty"` // 0 for what was handed over
	At      time.Duration `json:"at"`                // running time
}

// namedBy reports whether a notice named it in a version or before it.
func (l *Ledger) namedBy(notice string, version int) bool {
	return slices.ContainsFunc(l.Named, func(n Naming) bool { return n.Notice == notice && n.Version <= version })
}

// name notes a version that names it.
func (l *Ledger) name(n Naming, now time.Duration) {
	if l.namedBy(n.Notice, n.Version) {
		return
	}
	if len(l.Named) == 0 {
		l.ToldAt = now
	}
	l.Named = append(slices.Clip(l.Named), n)
}

// hand notes that a channel took over what names it.
func (l *Ledger) hand(h Handing) {
	if l.Heard = true; !l.handedTo(h.Person) {
		l.Handed = append(slices.Clip(l.Handed), h)
	}
}

// handedTo reports whether a person was handed a message that names it.
func (l *Ledger) handedTo(person string) bool {
	return slices.ContainsFunc(l.Handed, func(h Handing) bool { return h.Person == person })
}

// answer covers it.
func (l *Ledger) answer(a Answering) {
	if !l.Covered {
		l.Covered, l.Answered = true, &a
	}
}
