package mqtt

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"strconv"
	"strings"
	"time"

	"dewline/alert"
)

// KeyAtLeast is the fewest bytes of a command key: shorter ones can be guessed.
const KeyAtLeast = 16

// A Signed is a command with what proves who sends it, and when. Its JSON is what
// stands on the command topic.
type Signed struct {
	alert.Command
	Time      time.Time `json:"time,omitzero"` // of the sending
	Nonce     string    `json:"nonce,omitempty"`
	Signature string    `json:"signature,omitempty"`
}

// Sign signs s for a room with a person's command key: HMAC-SHA256 (RFC 2104)
// over Text, in hexadecimal.
func (s *Signed) Sign(room string, key []byte) { s.Signature = s.signature(room, key) }

func (s *Signed) signature(room string, key []byte) string {
	mac := hmac.New(sha256.New, key)
	mac.Write([]byte(s.Text(room)))
	return hex.EncodeToString(mac.Sum(nil))
}

// Text is what is signed: a line for each field that is not empty, its name, a
// space, its value, in this order. Times are in UTC with whole seconds; numbers
// are decimal without needless zeros. No value holds a line break.
func (s *Signed) Text(room string) string {
	when := func(t time.Time) string {
		if t.IsZero() {
			return ""
		}
		return t.UTC().Format(time.RFC3339)
	}
	number := func(n float64) string {
		if n == 0 {
			return ""
		}
		return strconv.FormatFloat(n, 'f', -1, 64)
	}
	truth := func(b bool) string {
		if b {
			return "true"
		}
		return ""
	}
	seq := ""
	if s.Seq != 0 {
		seq = strconv.FormatUint(s.Seq, 10)
	}
	var b strings.Builder
	for _, f := range [][2]string{
		{"room", room}, {"id", s.ID}, {"time", when(s.Time)}, {"nonce", s.Nonce}, {"action", s.Action}, {"alarm", s.Alarm},
		{"subject", s.Subject}, {"seq", seq}, {"notice", s.Notice}, {"version", number(float64(s.Version))},
		{"minutes", number(s.Minutes)}, {"until", when(s.Until)}, {"one_shot", truth(s.OneShot)}, {"empty", truth(s.Empty)}, {"by", s.By}, {"why", s.Why},
	} {
		if f[1] != "" {
			fmt.Fprintf(&b, "%s %s\n", f[0], f[1])
		}
	}
	return b.String()
}
