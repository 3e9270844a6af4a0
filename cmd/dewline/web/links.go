package web

import (
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"os"
	"path/filepath"
	"strconv"
	"strings"
)

// links signs the addresses that a notice carries for being answered. The key
// is kept beside the record, so that a link survives a restart; where it
// cannot be kept, links made before a restart are refused.
type links struct{ key []byte }

const linkKeyFile = "link.key"

func newLinks() *links {
	key := make([]byte, 32)
	_, _ = rand.Read(key) // never fails, crypto/rand
	return &links{key: key}
}

// keepIn uses the key kept in dir, or keeps the present one there.
func (l *links) keepIn(dir string) error {
	file := filepath.Join(dir, linkKeyFile)
	if b, err := os.ReadFile(file); err == nil && len(b) == len(l.key) {
		l.key = b
		return nil
	}
	return os.WriteFile(file, l.key, 0o600)
}

// token is the version and a signature over both.
func (l *links) token(noticeID string, version int) string {
	v := strconv.Itoa(version)
	return v + "." + l.sign(v+"\n"+noticeID)
}

func (l *links) sign(text string) string {
	mac := hmac.New(sha256.New, l.key)
	mac.Write([]byte(text))
	return base64.RawURLEncoding.EncodeToString(mac.Sum(nil)[:16])
}

// check reports whether token belongs to the notice, and the version that it
// was made for. Links made before they carried a version stand for the first.
func (l *links) check(noticeID, token string) (version int, ok bool) {
	v, _, versioned := strings.Cut(token, ".")
	if !versioned {
		return 1, hmac.Equal([]byte(l.sign(noticeID)), []byte(token))
	}
	version, err := strconv.Atoi(v)
	if err != nil || version < 1 || !hmac.Equal([]byte(l.token(noticeID, version)), []byte(token)) {
		return 0, false
	}
	return version, true
}
