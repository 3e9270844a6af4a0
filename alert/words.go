package alert

import "dewline/rules"

// Headline says in a few words what an alarm means to a keeper: "too warm".
func Headline(a rules.AlarmID) string { return headline(a) }
