package daemon

import (
	"bytes"
	"encoding/json"
	"flag"
	"maps"
	"net/http/httptest"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"dewline/alert"
	"dewline/alert/summary"
	"dewline/alert/wire"
	"dewline/cmd/dewline/core"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/sensors"

	"github.com/google/jsonschema-go/jsonschema"
)

var updateSchemas = flag.Bool("update", false, "rewrite the files in configs/api")

// said are the documents of the API by method and path: what is sent, what is
// answered, what may be asked for.
var said = map[string]struct {
	what         string
	sends, gives any
	query        []string
}{
	"GET room":                {what: "everything about the room at this moment", gives: wire.Room{}},
	"GET enclosures":          {what: "the enclosures in file order", gives: []wire.Enclosure{}},
	"GET probes":              {what: "the probes in file order", gives: []rules.ProbeView{}},
	"GET alarms":              {what: "the alarms that are not normal, the most urgent first", gives: []wire.Alarm{}},
	"GET notices":             {what: "the open notices, worst first", gives: []wire.Notice{}},
	"GET kpi":                 {what: "the self-measures of ISA-18.2", gives: wire.Measures{}},
	"GET probes/{id}/reading": {what: "the newest reading of a probe", gives: wire.Reading{}},
	"GET whatif":              {what: "what a room at so many °C would do to each enclosure, the worst first", gives: []rules.Prospect{}, query: []string{"room", "lamps"}},
	"GET history":             {what: "the history of one probe, at a level that suits the span", gives: []wire.HistoryRow{}, query: []string{"probe", "from", "to"}},
	"GET journal":             {what: "who did what; what was measured too with all=true", gives: []wire.JournalEntry{}, query: []string{"from", "to", "all"}},
	"GET notes":               {what: "the keepers' notes", gives: []wire.Note{}, query: []string{"enclosure", "from", "to"}},
	"POST notes":              {what: "keep a note", sends: struct{ Enclosure, By, Text string }{}, gives: wire.Reply{}},
	"GET summary":             {what: "the summary of a week, as JSON with format=json", gives: summary.Report{}, query: []string{"week", "format", "units"}},
	"POST summary":            {what: "mail the summary of a week", sends: struct{ Week, By string }{}, gives: wire.SummarySent{}},
	"POST command":            {what: "acknowledge, shelve and the like", sends: alert.Command{}, gives: wire.Reply{}},
	"POST drill":              {what: "send a test notice", sends: struct{ Person, By string }{}, gives: wire.Reply{}},
	"GET drills":              {what: "results of drills", gives: []wire.Drill{}, query: []string{"from", "to"}},
	"POST calibrations":       {what: "keep a correction", sends: sensors.Correction{}, gives: wire.Reply{}},
	"POST reload":             {what: "read the configuration again", gives: wire.Reply{}},
}

// published are the documents that leave without being asked for, by file.
var published = map[string]any{
	"climate": wire.Climate{}, "alarm": wire.Alarm{}, "notice": alert.Message{}, "heartbeat": alert.Heartbeat{},
	"transition": wire.Transition{}, "health": wire.Health{},
}

// enum is the schema of a type that is written as one of a few words.
func enum(words ...string) *jsonschema.Schema {
	s := &jsonschema.Schema{Type: "string"}
	for _, w := range words {
		s.Enum = append(s.Enum, w)
	}
	return s
}

// schemaOf is the strict schema of a document: nothing may be in it that its
// type does not name.
func schemaOf(t testing.TB, v any) *jsonschema.Schema {
	t.Helper()
	var states []string
	for s := alarm.Norm; !strings.HasPrefix(s.String(), "STATE"); s++ {
		states = append(states, s.String())
	}
	s, err := jsonschema.ForType(reflect.TypeOf(v), &jsonschema.ForOptions{TypeSchemas: map[reflect.Type]*jsonschema.Schema{
		reflect.TypeFor[time.Time]():       {Type: "string", Format: "date-time"},
		reflect.TypeFor[rules.Moment]():    {Type: "string", Format: "date-time"},
		reflect.TypeFor[rules.Seconds]():   {Type: "integer"},
		reflect.TypeFor[rules.Tenth]():     {Type: "number"},
		reflect.TypeFor[rules.Share]():     {Type: "number"},
		reflect.TypeFor[rules.Hundredth](): {Type: "number"},
		reflect.TypeFor[alarm.Priority]():  enum("note", "today", "wake"),
		reflect.TypeFor[alarm.State]():     enum(states...),
	}})
	if err != nil {
		t.Fatal(err)
	}
	tidy(s)
	return s
}

// tidy takes null out of lists, and out of what is absent where it is unknown.
func tidy(s *jsonschema.Schema) {
	if slices.Equal(s.Types, []string{"null", "array"}) {
		s.Type, s.Types = "array", nil
	}
	for name, p := range s.Properties {
		if !slices.Contains(s.Required, name) && len(p.Types) == 2 && p.Types[0] == "null" {
			p.Type, p.Types = p.Types[1], nil
		}
		tidy(p)
	}
	if s.Items != nil {
		tidy(s.Items)
	}
	if a := s.AdditionalProperties; a != nil && a.Not == nil {
		tidy(a)
	}
}

// open lets a published schema allow what later versions add.
func open(s *jsonschema.Schema) *jsonschema.Schema {
	if s.AdditionalProperties != nil && s.AdditionalProperties.Not != nil {
		s.AdditionalProperties = nil
	}
	for _, p := range s.Properties {
		open(p)
	}
	if s.Items != nil {
		open(s.Items)
	}
	return s
}

// check holds a document against the strict schema of its type.
func check(t *testing.T, name string, doc []byte, v any) {
	t.Helper()
	r, err := schemaOf(t, v).Resolve(nil)
	if err != nil {
		t.Fatal(err)
	}
	var instance any
	if err := json.Unmarshal(doc, &instance); err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	if err := r.Validate(instance); err != nil {
		t.Errorf("%s is not of its schema: %v\n%.600s", name, err, doc)
	}
	for _, internal := range []string{"0001-01-01", `"mono"`, "has_value"} {
		if bytes.Contains(doc, []byte(internal)) {
			t.Errorf("%s shows %s", name, internal)
		}
	}
}

// The API answers each path of the published description in the published form.
func TestAPI_KeepsItsDescription(t *testing.T) {
	d := runSimulated(t, 30*time.Hour)
	h := d.site.API()
	bodies := map[string]string{
		"POST notes": `{"enclosure":"a-1-1","by":"Robin","text":"fed"}`,
		"POST drill": `{"by":"Robin"}`,
		"POST calibrations": `{"id":"c1","probe":"room","quantity":"temperature","gain":1,"offset":-0.5,"uncertainty":0.2,"method":"ice",` +
			`"by":"Robin","made":"2026-05-01T06:00:00Z","from":"2026-05-01T06:00:00Z"}`,
		"POST command": `{"action":"out-of-service","subject":"a-1-2","minutes":60,"by":"Robin"}`,
	}
	queries := map[string]string{
		"GET whatif": "room=33", "GET history": "probe=room&from=2026-05-01T06:00:00Z&to=2026-05-01T09:00:00Z",
		"GET journal": "from=2026-05-01T00:00:00Z", "GET notes": "from=2026-05-01T00:00:00Z", "GET drills": "from=2026-05-01T00:00:00Z",
		"GET summary": "format=json&week=2026-W18",
	}
	// What is done comes before what is looked at, so that there is something to see.
	names := slices.SortedFunc(maps.Keys(said), func(a, b string) int { return strings.Compare(b, a) })
	for _, name := range names {
		method, path, _ := strings.Cut(name, " ")
		w := httptest.NewRecorder()
		target := "/api/v1/" + strings.ReplaceAll(path, "{id}", "room") + "?" + queries[name]
		h.ServeHTTP(w, httptest.NewRequestWithContext(t.Context(), method, target, strings.NewReader(bodies[name])))
		if w.Code >= 300 {
			if name != "POST summary" { // there is no mail here: the refusal has a form too
				t.Errorf("%s: %d %s", name, w.Code, w.Body)
			}
			check(t, name, w.Body.Bytes(), wire.Reply{})
			continue
		}
		check(t, name, w.Body.Bytes(), said[name].gives)
	}
}

// What is published without being asked for has its published form.
func TestPublished_KeepsItsSchema(t *testing.T) {
	d := runSimulated(t, 30*time.Hour)
	err := d.loop.perform(t.Context(), func(now sensors.Instant) (core.Effects, error) {
		return d.loop.core.Set(now, rules.Condition{
			Key: alarm.Key{Alarm: alarm.RecordIncomplete, Subject: rules.Self}, Active: true, Priority: alarm.Today, Is: alarm.Fact{ID: alarm.FactRecordNote, Note: "the card is full"},
		}), nil
	})
	if err != nil {
		t.Fatal(err)
	}
	s := d.loop.snapshot.Load()
	marshal := func(v any) []byte {
		b, err := json.Marshal(v)
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	for _, e := range s.Enclosures {
		check(t, "climate", marshal(wire.ClimateOf(&e)), wire.Climate{})
	}
	if len(s.Alarms) == 0 || len(s.Notices) == 0 {
		t.Fatal("there is no alarm and no notice to look at")
	}
	for _, a := range s.Alarms {
		check(t, "alarm", marshal(wire.AlarmOf(&a, s.At)), wire.Alarm{})
	}
	for _, n := range wire.NoticesOf(s) {
		check(t, "notice", marshal(n.Message), alert.Message{})
	}
	check(t, "heartbeat", marshal(d.loop.heartbeat()), alert.Heartbeat{})
	check(t, "transition", marshal(wire.TransitionOf(&rules.Transition{Onset: alarm.Onset{Key: alarm.Key{Alarm: alarm.DoorAjar, Subject: "a-1-1"}}, At: s.At})), wire.Transition{})
}

// The files in configs/api are made from the types.
func TestSchemas_AreOfTheTypes(t *testing.T) {
	for name, v := range published {
		s := open(schemaOf(t, v))
		s.Schema, s.Title = "https://json-schema.org/draft/2020-12/schema", "dewline "+name
		sameFile(t, name+".schema.json", s)
	}
	sameFile(t, "openapi.json", describe(t))
}

// describe makes the OpenAPI 3.1 description of the API.
func describe(t *testing.T) map[string]any {
	schemas := map[string]any{}
	content := func(v any) map[string]any {
		return map[string]any{"application/json": map[string]any{"schema": refer(t, schemas, reflect.TypeOf(v))}}
	}
	paths := map[string]map[string]any{}
	for name, doc := range said {
		method, path, _ := strings.Cut(name, " ")
		op := map[string]any{
			"summary": doc.what,
			"responses": map[string]any{
				"200":     map[string]any{"description": "the answer", "content": content(doc.gives)},
				"default": map[string]any{"description": "refused: why, and what to do", "content": content(wire.Reply{})},
			},
		}
		if name == "POST reload" {
			op["responses"].(map[string]any)["202"] = op["responses"].(map[string]any)["200"]
			delete(op["responses"].(map[string]any), "200")
		}
		var params []any
		if strings.Contains(path, "{id}") {
			params = append(params, map[string]any{"name": "id", "in": "path", "required": true, "schema": map[string]any{"type": "string"}})
		}
		for _, q := range doc.query {
			params = append(params, map[string]any{"name": q, "in": "query", "schema": map[string]any{"type": "string"}})
		}
		if params != nil {
			op["parameters"] = params
		}
		if doc.sends != nil {
			op["requestBody"] = map[string]any{"required": true, "content": content(doc.sends)}
		}
		if paths["/api/v1/"+path] == nil {
			paths["/api/v1/"+path] = map[string]any{}
		}
		paths["/api/v1/"+path][strings.ToLower(method)] = op
	}
	return map[string]any{
		"openapi": "3.1.0",
		"info":    map[string]any{"title": "dewline", "version": "1", "summary": "what a room of enclosures is like, and what to do about it"},
		"paths":   paths,
		"components": map[string]any{
			"schemas":         schemas,
			"securitySchemes": map[string]any{"token": map[string]any{"type": "http", "scheme": "bearer"}},
		},
		"security": []any{map[string]any{"token": []any{}}, map[string]any{}},
	}
}

// refer puts the schema of a type under its name and returns a reference to it,
// or to a list of it.
func refer(t *testing.T, schemas map[string]any, of reflect.Type) any {
	if of.Kind() == reflect.Slice {
		return map[string]any{"type": "array", "items": refer(t, schemas, of.Elem())}
	}
	s := open(schemaOf(t, reflect.New(of).Elem().Interface()))
	if of.Name() == "" {
		return s
	}
	name := strings.TrimSuffix(of.Name(), "View")
	schemas[name] = s
	return map[string]any{"$ref": "#/components/schemas/" + name}
}

// sameFile compares a document with its file, or rewrites it.
func sameFile(t *testing.T, name string, v any) {
	t.Helper()
	want, err := json.MarshalIndent(v, "", " ")
	if err != nil {
		t.Fatal(err)
	}
	want = append(want, '\n')
	file := filepath.Join("..", "..", "..", "configs", "api", name)
	if *updateSchemas {
		if err := os.WriteFile(file, want, 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	got, err := os.ReadFile(file)
	if err != nil || !bytes.Equal(got, want) {
		t.Errorf("%s is not what the types say (%v): go test ./cmd/dewline/daemon -run Schemas -update, then read the diff", name, err)
	}
}
