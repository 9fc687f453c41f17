package api

import (
	"encoding/json"
	"reflect"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"sapward/internal/app"
)

// What is refused tells where.
func TestDecode_Refuses(t *testing.T) {
	for body, want := range map[string]string{
		``:                                    "api-json ",
		`{`:                                   "api-json ",
		`{"tag":"a"} {}`:                      "api-json ",
		`[]`:                                  "api-kind ",
		`null`:                                "api-kind ",
		`{}`:                                  "api-needed /tag",
		`{"Tag":"a"}`:                         "api-unknown /Tag",
		`{"tag":"a","tag":"b"}`:               "api-twice /tag",
		`{"tag":"a","stems":[{},{"x":1}]}`:    "api-unknown /stems/1/x",
		`{"tag":1}`:                           "api-kind /tag",
		`{"tag":null}`:                        "api-kind /tag",
		`{"tag":"a","lat":"1"}`:               "api-kind /lat",
		`{"tag":"a","bearing":1}`:             "api-kind /bearing",
		`{"tag":"a","stems":{}}`:              "api-kind /stems",
		`{"tag":"a","a/b~c":1}`:               "api-unknown /a~1b~0c",
		"{\"tag\":\"\xff\"}":                  "api-json ",
		strings.Repeat("[", 100):              "api-deep " + strings.Repeat("/0", mostDepth+1),
		`{"tag":"a","lat":1e999}`:             "api-kind /lat",
		`{"tag":"a","stems":[],"stems":null}`: "api-twice /stems",
	} {
		var f app.TreeFacts
		err := decode([]byte(body), &f)
		b, ok := err.(inBodies)
		if !ok || b[0].ID+" "+b[0].pointer != want {
			t.Errorf("%.40s: %v, want %s", body, err, want)
		}
	}
	var n NoteList
	if b, ok := decode([]byte(`{"notes":[{"kind":"nonsense","port":1.5,"left_ul":9223372036854775808}]}`), &n).(inBodies); !ok || len(b) != 3 {
		t.Errorf("%v", b)
	}
}

// Facts that were written are read back as they were, for every type of request.
func TestDecode_ReadsWhatIsWritten(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		word := rapid.StringMatching(`[a-zA-Z0-9 ñ/~"\\]{0,12}`)
		opt := func(name string) *float64 {
			if rapid.Bool().Draw(t, name) {
				x := rapid.Float64Range(-90, 90).Draw(t, name+" value")
				return &x
			}
			return nil
		}
		f := app.TreeFacts{Tag: word.Draw(t, "tag"), Species: word.Draw(t, "species"), XM: opt("x"), YM: opt("y"), Lat: opt("lat")}
		for range rapid.IntRange(0, 3).Draw(t, "stems") {
			f.Stems = append(f.Stems, app.StemFacts{Name: word.Draw(t, "stem"), GirthCM: word.Draw(t, "girth")})
		}
		data, err := json.Marshal(f)
		if err != nil {
			t.Fatal(err)
		}
		var got app.TreeFacts
		if err := decode(data, &got); err != nil {
			t.Fatalf("%v: %s", err, data)
		}
		if !reflect.DeepEqual(got, f) {
			t.Fatalf("%+v, want %+v", got, f)
		}
		// One name more, anywhere in the outer object, is refused.
		more := strings.Replace(string(data), "{", `{"`+word.Draw(t, "more")+`z9":1,`, 1)
		if json.Valid([]byte(more)) && decode([]byte(more), &got) == nil {
			t.Fatalf("taken: %s", more)
		}
	})
}

// No body makes any decoder panic, and what is taken keeps nothing unseen: written
// again it has every name that was sent.
func FuzzDecode(f *testing.F) {
	for _, o := range operations() {
		if o.sample != nil {
			data, err := json.Marshal(o.sample)
			if err != nil {
				f.Fatal(err)
			}
			f.Add(data)
		}
	}
	f.Add([]byte(`{"tag":"a","stems":[{"girth_cm":"1"}],"lat":1,"lon":2}`))
	f.Add([]byte(`{"content":{"work":{"zone":"UTC"},"area":{"value":1,"unit":"ha"}}}`))
	f.Add([]byte(`{"tag":"a","tag":"b","x":{"y":[[[null]]]}}`))
	var types []reflect.Type
	for _, o := range operations() {
		if o.in != nil {
			types = append(types, o.in)
		}
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		for _, typ := range types {
			to := reflect.New(typ)
			if decode(data, to.Interface()) != nil {
				continue
			}
			var sent map[string]json.RawMessage
			if json.Unmarshal(data, &sent) != nil {
				continue
			}
			for name := range sent {
				if _, known := find(fieldsOf(typ), name); !known {
					t.Fatalf("%s took %q unseen: %s", typ, name, data)
				}
			}
		}
	})
}
