package words

import (
	"bytes"
	"cmp"
	_ "embed"
	"fmt"
	"math"
	"strconv"
	"strings"
	"sync"
	"time"

	"dewline/configs/unit"
	"dewline/rules/alarm"

	"github.com/pelletier/go-toml/v2"
)

//go:embed english.toml
var english []byte

// texts are what english.toml holds, by the ids of package alarm.
type texts struct {
	Headlines, Endings map[alarm.ID]string
	Facts              map[alarm.FactID]string
	Single             map[alarm.FactID]string // in place of a fact whose count is one
	Steps              map[alarm.Step]string
}

// inEnglish reads the texts, once; a test holds them against the ids.
var inEnglish = sync.OnceValue(func() (t texts) {
	d := toml.NewDecoder(bytes.NewReader(english)).DisallowUnknownFields()
	if err := d.Decode(&t); err != nil {
		panic(fmt.Sprintf("words: embedded texts: %v", err))
	}
	return t
})

// write fills a phrase in. v and l are the alarm's value and limit.
func write(f *alarm.Fact, v, l string, s unit.Scale) string {
	text := inEnglish().Facts[f.ID]
	if f.Count == 1 {
		text = cmp.Or(inEnglish().Single[f.ID], text)
	}
	if !strings.ContainsRune(text, '{') {
		return text
	}
	warmer, above := "warmer", "above"
	if f.Cooler {
		warmer, above = "cooler", "below"
	}
	ahead := "in " + v
	if f.Ahead != nil {
		ahead = In(*f.Ahead)
	}
	warmth := Figure{Value: float64(f.Temperature), Unit: "°C", Lethal: float64(f.Lethal)}.Text(s)
	size := unit.TemperatureDelta(math.Abs(float64(f.Delta)))
	return strings.NewReplacer(
		"{note}", f.Note, "{v}", v, "{l}", l, "{about}", f.About, "{warmer}", warmer, "{above}", above, "{ahead}", ahead,
		"{t}", warmth.Value, "{lethal}", warmth.Lethal,
		"{d}", size.Text(s, 1), "{d0}", size.Text(s, 0), "{d+}", plus(float64(f.Delta))+f.Delta.Text(s, 1), "{change}", f.Delta.Text(s, 1),
		"{others}", unit.TemperatureDelta(math.Abs(float64(f.Others))).Text(s, 1),
		"{p}", Humidity(f.Percent), "{p+}", plus(f.Percent)+unit.Number(f.Percent, 1)+" %", "{usual}", Humidity(f.Usual),
		"{percent}", Percent(f.Percent), "{was}", Percent(f.Usual),
		"{n}", strconv.Itoa(f.Count), "{of}", strconv.Itoa(f.Of), "{ago}", Span(f.For),
		"{clock}", clock(f.At, "15:04"), "{moment}", clock(f.At, "2 Jan 15:04"), "{day}", clock(f.At, "2 Jan 2006"), "{certificate}", Certificate(f.About),
	).Replace(text)
}

// plus is the sign of what is not negative.
func plus(v float64) string {
	if v >= 0 {
		return "+"
	}
	return ""
}

// certificates names those that dewline depends on, by the subject of their alarm.
var certificates = map[string]string{
	"page": "the page's certificate", "broker": "the broker's certificate",
	"broker-client": "dewline's own certificate for the broker", "broker-authority": "the authority of the broker's certificate",
	"mail": "the mail server's certificate", "mail-authority": "the authority of the mail server's certificate",
}

// Certificate names the one that certificate-due is about.
func Certificate(subject string) string {
	return cmp.Or(certificates[subject], "the certificate "+subject)
}

// Fact writes one as a clause.
func Fact(f alarm.Fact, s unit.Scale) string { return write(&f, "", "", s) }

// Facts writes each fact as a clause.
func Facts(list []alarm.Fact, s unit.Scale) []string {
	out := make([]string, 0, len(list))
	for i := range list {
		if text := write(&list[i], "", "", s); text != "" {
			out = append(out, text)
		}
	}
	return out
}

// clock writes a room's time; one that is none stays as it is.
func clock(t alarm.LocalTime, layout string) string {
	at, err := time.Parse(alarm.LocalLayout, string(t))
	if err != nil {
		return string(t)
	}
	return at.Format(layout)
}

// Headline says in a few words what an alarm means to a keeper: "too warm".
func Headline(a alarm.ID) string { return cmp.Or(inEnglish().Headlines[a], string(a)) }
