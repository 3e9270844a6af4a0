package page

import (
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"html/template"
	"net/http"
)

//go:embed html static
var files embed.FS

type assets struct {
	static map[string][]byte
	paths  map[string]string // with a hash, so that a browser may keep them
	pages  *template.Template
}

// loadAssets reads what is embedded; a test renders every page. The pages are
// one set of templates, so that what they share is held once.
func loadAssets() *assets {
	a := &assets{static: map[string][]byte{}, paths: map[string]string{}}
	for _, name := range []string{"style.css", "live.js", "icon.svg"} {
		b, err := files.ReadFile("static/" + name)
		if err != nil {
			panic(fmt.Sprintf("page: embedded file: %v", err))
		}
		sum := sha256.Sum256(b)
		a.static[name] = b
		a.paths[name] = "/" + name + "?v=" + hex.EncodeToString(sum[:6])
	}
	a.pages = template.Must(template.New("").Funcs(template.FuncMap{"pair": pair, "asset": func(name string) string { return a.paths[name] }}).ParseFS(files, "html/*.html"))
	return a
}

func (a *assets) serve(name, mediaType string) http.HandlerFunc {
	return func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", mediaType)
		w.Header().Set("Cache-Control", "public, max-age=604800, immutable")
		_, _ = w.Write(a.static[name])
	}
}

// A paired is a card with the page around it.
type paired struct{ Card, Page any }

func pair(card, page any) paired { return paired{card, page} }
