package daemon

import (
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"net/url"
	"os"
	"path/filepath"
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

// token is what a link to a notice must carry.
func (l *links) token(noticeID string) string {
	mac := hmac.New(sha256.New, l.key)
	mac.Write([]byte(noticeID))
	return base64.RawURLEncoding.EncodeToString(mac.Sum(nil)[:16])
}

// check reports whether token belongs to the notice.
func (l *links) check(noticeID, token string) bool {
	return hmac.Equal([]byte(l.token(noticeID)), []byte(token))
}

// ackLink returns the address that answers a notice; empty where the page has
// no address that a phone could reach.
func (d *Daemon) ackLink(noticeID string) string {
	base := d.cfg.Load().HTTP.URL
	if base == "" {
		return ""
	}
	u, err := url.JoinPath(base, "answer", noticeID)
	if err != nil {
		return ""
	}
	return u + "?t=" + d.links.token(noticeID)
}
