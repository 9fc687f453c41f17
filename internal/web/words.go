package web

import (
	"encoding/json"
	"regexp"
	"strings"

	"sapward/internal/lang"
)

// subjects are the files of the catalogue whose messages the phone can show:
// what plans, ports and the log of a day find, cautions, and the phone's own.
var subjects = []string{"plan", "port", "cautions", "fieldlog", "phone", "phoneone"}

// besides are single messages of other files that the phone shows.
var besides = []string{
	"authority-label", "authority-law", "authority-practice", "authority-estimate",
	"method-injection", "method-infusion", "invented", "practice-only", "note-of-another", "note-twice", "note-unread",
	"photo-most-phone", "photo-most-day", "photo-size", "attachment-type",
	"phone-photos-refused", "phone-photo-refused", "phone-saved-part", "phone-limb-name",
	"step-plan", "step-measure", "step-mix", "step-drill", "step-apply", "step-after",
}

var (
	place  = regexp.MustCompile(`\{\{\.\w+\}\}`)
	choice = regexp.MustCompile(`\{\{if \.\w+\}\}|\{\{else\}\}|\{\{end\}\}`)
)

// phoneWords is the catalogue of the phone: language, identifier, text with
// places like {{.name}}, and parts that are there when an argument is
// ({{if .name}} ... {{else}} ... {{end}}). A text that does more is left out.
func phoneWords() map[string]map[string]string {
	out := map[string]map[string]string{"en": {}, "es": {}}
	put := func(language, id, text string) {
		if text != "" && !strings.Contains(choice.ReplaceAllString(place.ReplaceAllString(text, ""), ""), "{{") {
			out[language][id] = text
		}
	}
	take := func(id string, m lang.Message) {
		put("en", id, m.EN)
		put("es", id, m.ES)
	}
	for _, s := range subjects {
		for id, m := range lang.Subject(s) {
			take(id, m)
		}
	}
	all := lang.Messages()
	for _, id := range besides {
		take(id, all[id])
	}
	return out
}

// wordsJSON is what GET /phone/words.json answers.
func wordsJSON() []byte {
	data, err := json.Marshal(phoneWords())
	if err != nil {
		panic(err) // strings only
	}
	return data
}
