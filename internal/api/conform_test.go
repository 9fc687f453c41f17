package api

import (
	"bytes"
	"io"
	"net/http"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/pb33f/libopenapi"
	validator "github.com/pb33f/libopenapi-validator"

	"sapward/apply/record"
	"sapward/measure/civil"
)

// record_ is the content of a record that can be signed, and amended the same
// with a note.
var (
	record_ = func() record.Content {
		c := record.Content{Work: record.Work{Zone: "UTC", Date: record.Is(record.Days{From: civil.Date{Year: 2024, Month: 6, Day: 3}, To: civil.Date{Year: 2024, Month: 6, Day: 3}}), End: record.Is(record.Instant{T: time.Date(2024, 6, 3, 12, 0, 0, 0, time.UTC)})}}
		c.People.Applicator = record.Is(record.Certified{Name: "invented applicator", Number: "1", Expires: civil.Date{Year: 2040, Month: 1, Day: 1}})
		return c
	}()
	amended = func() record.Content { c := record_; c.Notes = []string{"invented"}; return c }()
)

func itoa(n int) string { return strconv.Itoa(n) }

func two(n int) string {
	if n < 10 {
		return "0" + itoa(n)
	}
	return itoa(n)
}

// conforming returns what looks at every answer: it must be one that the document
// tells of, in its form; a request that was carried out must be one too.
func conforming(t *testing.T, s *stage) func(*http.Request, []byte, *http.Response, []byte) {
	doc, err := libopenapi.NewDocument(s.handler.document)
	if err != nil {
		t.Fatal(err)
	}
	v, errs := validator.NewValidator(doc)
	if len(errs) > 0 {
		t.Fatal(errs)
	}
	seen := 0
	t.Cleanup(func() {
		if seen == 0 {
			t.Error("no answer was looked at")
		}
		t.Logf("%d answers fit the document", seen)
	})
	return func(req *http.Request, sent []byte, res *http.Response, got []byte) {
		t.Helper()
		seen++
		r := req.Clone(req.Context())
		r.Body = io.NopCloser(bytes.NewReader(sent))
		x := *res
		x.Body = io.NopCloser(bytes.NewReader(got))
		if res.Header.Get("Content-Type") == "application/x-ndjson" {
			return // the validator reads one value; TestTrees_Pages reads the lines
		}
		ok, faults := v.ValidateHttpResponse(r, &x)
		if res.StatusCode < 300 && strings.Contains(req.Header.Get("Content-Type"), "json") {
			r.Body = io.NopCloser(bytes.NewReader(sent))
			good, more := v.ValidateHttpRequest(r)
			ok, faults = ok && good, append(faults, more...)
		}
		if ok {
			return
		}
		for _, f := range faults {
			t.Errorf("%s %s: %d does not fit the document: %s: %s", req.Method, req.URL.Path, res.StatusCode, f.Message, f.Reason)
			for i, e := range f.SchemaValidationErrors {
				if i < 4 {
					t.Errorf("   %s: %s", e.FieldPath+" "+e.KeywordLocation, e.Reason)
				}
			}
		}
	}
}
