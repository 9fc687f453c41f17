package api

import (
	"bytes"
	"io"
	"net/http"
	"strconv"
	"strings"
	"testing"

	"github.com/pb33f/libopenapi"
	validator "github.com/pb33f/libopenapi-validator"

	"sapward/apply/record"
)

var record_ = record.Content{Work: record.Work{Zone: "UTC"}}

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
					t.Errorf("   %s: %s", e.Location, e.Reason)
				}
			}
		}
	}
}
