package webhook

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"strings"

	"dewline/alert"
)

// A Beat posts a room's sign of life to an outside address, whose absence
// somebody outside can notice.
type Beat struct {
	url    string
	client *http.Client
	hide   *strings.Replacer
}

// NewBeat returns a Beat for url; clockSet is as in Options.
func NewBeat(url string, clockSet func() bool) (*Beat, error) {
	if err := checkURL(url); err != nil {
		return nil, fmt.Errorf("outside heartbeat: %w", err)
	}
	return &Beat{url: url, client: strict(url, clockSet), hide: hider(&Options{URL: url})}, nil
}

// Post sends one heartbeat. One that fails is not made up for: the next one
// says more.
func (b *Beat) Post(ctx context.Context, h alert.Heartbeat) error {
	body, err := json.Marshal(h)
	if err != nil {
		return fmt.Errorf("outside heartbeat: %w", err)
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, b.url, bytes.NewReader(body))
	if err != nil {
		return fmt.Errorf("outside heartbeat: %w", hideURL(err))
	}
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("User-Agent", "dewline")
	if err := post(b.client, req, b.hide); err != nil {
		return fmt.Errorf("outside heartbeat: %w", err)
	}
	return nil
}
