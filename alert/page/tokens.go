package page

import (
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"
)

// A Right is what a token opens; each holds those before it.
type Right int

// The rights.
const (
	None Right = iota
	Look
	Answer // acknowledge alarms
	Change
)

var rightNames = [...]string{Look: "look", Answer: "answer", Change: "change"}

// RightOf returns the right of a name: look, answer or change; else None.
func RightOf(name string) Right {
	return Right(max(slices.Index(rightNames[:], name), int(None)))
}

// A Grant is what a token opens, and to whom.
type Grant struct {
	Name  string // empty for the one token that anybody may have
	Right Right
}

// Tokens are what people and programs show to be let in. List is read at every
// use, so that a token taken out of it opens nothing more.
type Tokens struct {
	Shared string // opens everything; empty for none
	// List returns the lines of the tokens with names: a name, a right and the
	// SHA-256 of the token in hexadecimal. Nil for none.
	List func() (string, error)
}

// A tokenID is how a token is kept: its SHA-256.
type tokenID [sha256.Size]byte

// idOf returns how a token is kept. Names and rights do not hang on how long a
// comparison takes: what is compared is a hash.
func idOf(token string) tokenID { return sha256.Sum256([]byte(token)) }

// NewToken returns a token that nobody guesses, and the line that keeps it.
func NewToken(name, right string) (token, line string) {
	token = rand.Text() // 130 bits
	id := idOf(token)
	return token, name + " " + right + " " + hex.EncodeToString(id[:])
}

// shortestNamed is the fewest characters of a token with a name. A longer one is
// not guessed, so tries need no limit and nobody can lock its owner out.
const shortestNamed = 20

// Named returns what a token with a name opens.
func (t *Tokens) Named(token string) Grant {
	if len(token) < shortestNamed {
		return Grant{}
	}
	return t.byID(idOf(token), false)
}

// Common returns what the shared token opens.
func (t *Tokens) Common(token string) Grant { return t.byID(idOf(token), true) }

// byID returns what a token opens now.
func (t *Tokens) byID(id tokenID, shared bool) Grant {
	if shared {
		if own := idOf(t.Shared); t.Shared != "" && subtle.ConstantTimeCompare(id[:], own[:]) == 1 {
			return Grant{Right: Change}
		}
		return Grant{}
	}
	if t.List == nil {
		return Grant{}
	}
	text, err := t.List()
	if err != nil {
		return Grant{} // told by who reads it at the start
	}
	lines, _ := ParseTokens(text) // a fault in one line shuts out nobody else
	return lines[id]
}

// ParseTokens reads the lines of Tokens.List; those that are empty or begin with #
// say nothing.
func ParseTokens(text string) (map[tokenID]Grant, error) {
	out := map[tokenID]Grant{}
	var err error
	for i, line := range strings.Split(text, "\n") {
		f := strings.Fields(line)
		if len(f) == 0 || strings.HasPrefix(f[0], "#") {
			continue
		}
		var id tokenID
		if len(f) != 3 || RightOf(f[1]) == None || len(f[2]) != hex.EncodedLen(len(id)) {
			err = fmt.Errorf("line %d is not a name, a right (look, answer or change) and a hash: write what dewline token prints", i+1)
			continue
		}
		if _, e := hex.Decode(id[:], []byte(f[2])); e != nil {
			err = fmt.Errorf("line %d: the hash is not hexadecimal", i+1)
			continue
		}
		out[id] = Grant{f[0], RightOf(f[1])}
	}
	return out, err
}
