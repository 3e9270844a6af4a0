package daemon

import (
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"encoding/json"

	"dewline/alert"
	"dewline/rules/alarm"
)

// Each recipe sends what its kind of gateway takes, with its secrets from files.
func TestRecipes(t *testing.T) {
	const title, text, link = "Moss at its \"lethal\" limit, 30.2 °C", "moss: 30.2 °C\nFirst: lamps & heater off.", "https://attic.example.org/answer/x?t=1"
	for file, check := range map[string]func(t *testing.T, r *http.Request, body string){
		"push-plain": func(t *testing.T, r *http.Request, body string) {
			if r.URL.Path != "/secret-path" || body != text+"\n"+link || r.Header.Get("X-Title") != title || r.Header.Get("X-Urgency") != "high" ||
				r.Header.Get("X-Link") != link || r.Header.Get("Content-Type") != "text/plain; charset=utf-8" {
				t.Errorf("%s %v %q", r.URL, r.Header, body)
			}
		},
		"push-json": func(t *testing.T, r *http.Request, body string) {
			var got map[string]any
			err := json.Unmarshal([]byte(body), &got)
			if err != nil || got["title"] != title || got["message"] != text || got["link"] != link || got["urgent"] != true || r.Header.Get("Content-Type") != "application/json" {
				t.Errorf("%v %q", err, body)
			}
		},
		"sms-form": func(t *testing.T, r *http.Request, body string) {
			form, err := url.ParseQuery(body)
			if err != nil || form.Get("to") != "+49123456789" || form.Get("text") != title+"\n"+text || r.Header.Get("Content-Type") != "application/x-www-form-urlencoded" {
				t.Errorf("%v %q", err, body)
			}
		},
	} {
		t.Run(file, func(t *testing.T) {
			calls := 0
			srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
				calls++
				body, _ := io.ReadAll(r.Body)
				if r.Method != http.MethodPost || r.Header.Get("Authorization") != "Bearer of-the-test" {
					t.Errorf("%s, Authorization %q", r.Method, r.Header.Get("Authorization"))
				}
				check(t, r, string(body))
			}))
			defer srv.Close()
			recipe, err := os.ReadFile(filepath.Join("..", "..", "..", "configs", "recipes", file+".toml"))
			if err != nil {
				t.Fatal(err)
			}
			dir := t.TempDir()
			t.Setenv("CREDENTIALS_DIRECTORY", dir)
			for name, secret := range map[string]string{"push-url": srv.URL + "/secret-path", "sms-url": srv.URL, "push-header": "Bearer of-the-test", "sms-header": "Bearer of-the-test"} {
				if err := os.WriteFile(filepath.Join(dir, name), []byte(secret+"\n"), 0o600); err != nil {
					t.Fatal(err)
				}
			}
			cfg := decode(t, rigRoom+"\n"+strings.Replace(string(recipe), "https://push.example.org", srv.URL, 1))
			hook, err := buildWebhook("den", cfg.Webhooks[len(cfg.Webhooks)-1])
			if err != nil {
				t.Fatal(err)
			}
			if err := hook.Send(t.Context(), alert.Delivery{Message: alert.Message{Title: title, Text: text, Ack: link, Priority: alarm.Wake}}); err != nil || calls != 1 {
				t.Errorf("%v, %d calls", err, calls)
			}
		})
	}
}
