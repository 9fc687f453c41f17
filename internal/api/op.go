package api

import (
	"context"
	"io"
	"net/http"
	"net/url"
	"reflect"
	"strconv"
	"strings"

	"sapward/finding"
	"sapward/internal/app"
	"sapward/internal/lang"
)

// op is one operation. The router and the document are made from the same list
// of them, so that they cannot differ.
type op struct {
	method, path string
	name         string // operationId
	use          string // the use case, whose permission is the operation's
	tag          string
	title, about string
	query        []param
	in           reflect.Type // of a JSON body; nil: none
	upload       []string     // media types of a body that is a file
	sample       any          // example of a body
	out          reflect.Type // of a JSON answer; nil: none
	media        string       // of another answer
	status       int
	open         bool // nobody has to be signed in
	version      bool // the answer's ETag is the thing's version
	match        bool // If-Match names the version that was looked at
	makes        bool // Idempotency-Key is a must
	long         bool // goes on for as long as the caller listens
	run          func(*call) (*reply, error)
	again        func(*call, []app.Event) (*reply, error) // the answer, from what an act kept
}

// param is a parameter of the query.
type param struct {
	name, about string
	kind        string // string, integer, boolean
	words       []string
	needed      bool
	many        bool
}

func text(name, about string, words ...string) param {
	return param{name: name, about: about, kind: "string", words: words}
}

func count(name, about string) param { return param{name: name, about: about, kind: "integer"} }

func (p param) must() param { p.needed = true; return p }

// reply is an answer before it is written.
type reply struct {
	body     any    // to be written as JSON
	raw      []byte // instead: as it is
	version  int    // of the thing, for its ETag
	location string
	stream   func(w http.ResponseWriter) error // instead of all
}

// call is one request to an operation.
type call struct {
	h       *Handler
	op      *op
	r       *http.Request
	ctx     context.Context
	actor   app.Actor
	version int // of If-Match
	query   url.Values
	body    []byte
	say     *lang.Printer
}

func (c *call) id() string { return c.r.PathValue("id") }

func (c *call) text(name string) string { return strings.TrimSpace(c.query.Get(name)) }

func (c *call) number(name string) int {
	n, _ := strconv.Atoi(c.query.Get(name)) // checked before
	return n
}

func (c *call) file() io.Reader { return strings.NewReader(string(c.body)) }

// say adds to what the document tells of an operation.
func (o *op) says(about string) *op { o.about = about; return o }

func (o *op) asks(ps ...param) *op { o.query = append(o.query, ps...); return o }

func (o *op) example(x any) *op { o.sample = x; return o }

// table collects operations.
type table struct {
	ops []*op
	tag string
}

func (t *table) add(o *op) *op {
	o.tag = t.tag
	t.ops = append(t.ops, o)
	return o
}

// read is an operation that returns something.
func read[O any](t *table, path, name, use, title string, f func(c *call) (O, error)) *op {
	return t.add(&op{method: http.MethodGet, path: path, name: name, use: use, title: title, out: reflect.TypeFor[O](), status: http.StatusOK, run: func(c *call) (*reply, error) {
		out, err := f(c)
		if err != nil {
			return nil, err
		}
		return &reply{body: out, version: versionOf(out)}, nil
	}})
}

// one is read for a thing, whose version is its ETag.
func one[F any](t *table, path, name, use, title string, f func(c *call) (app.Kept[F], error)) *op {
	o := read(t, path, name, use, title, func(c *call) (Thing[F], error) {
		k, err := f(c)
		return thing(k), err
	})
	o.version = true
	return o
}

// act is an operation with a JSON body that answers with something.
func act[I, O any](t *table, method, path, name, use, title string, status int, f func(c *call, in I) (O, error)) *op {
	o := &op{method: method, path: path, name: name, use: use, title: title, out: reflect.TypeFor[O](), status: status}
	if reflect.TypeFor[I]() != reflect.TypeFor[none]() {
		o.in = reflect.TypeFor[I]()
	}
	o.run = func(c *call) (*reply, error) {
		var in I
		if o.in != nil {
			if err := decode(c.body, &in); err != nil {
				return nil, err
			}
		}
		out, err := f(c, in)
		if err != nil {
			return nil, err
		}
		return &reply{body: out, version: versionOf(out), location: c.h.placeOf(out)}, nil
	}
	return t.add(o)
}

// none is the body of an operation without one.
type none struct{}

// makes is an operation that makes a thing: its key is a must, and where an
// answer was lost it is made again from what was kept.
func makes[I, F any](t *table, path, name, use, title string, f func(c *call, in I) (app.Kept[F], error)) *op {
	o := act(t, http.MethodPost, path, name, use, title, http.StatusCreated, func(c *call, in I) (Thing[F], error) {
		k, err := f(c, in)
		return thing(k), err
	})
	o.makes, o.version = true, true
	o.again = rethink[F]
	return o
}

// rethink answers with the first thing of a type that an act kept.
func rethink[F any](c *call, events []app.Event) (*reply, error) {
	want := typeOf[F]()
	for _, e := range events {
		if want != "" && e.Type != want {
			continue
		}
		k, err := app.AsKept[F](e)
		if err != nil {
			return nil, err
		}
		out := thing(k)
		return &reply{body: out, version: out.Version, location: c.h.placeOf(out)}, nil
	}
	return nil, &finding.Fault{Class: finding.Missing, ID: "app-missing", Args: finding.Args{"what_by": finding.Text("kind-act")}}
}

// changes is an operation on the version that was looked at.
func changes[I, F any](t *table, method, path, name, use, title string, f func(c *call, in I) (app.Kept[F], error)) *op {
	o := act(t, method, path, name, use, title, http.StatusOK, func(c *call, in I) (Thing[F], error) {
		k, err := f(c, in)
		return thing(k), err
	})
	o.match, o.version = true, true
	o.again = rethink[F]
	return o
}

// turns is changes for what is retired or restored.
func turns(t *table, method, path, name, use, title string, f func(c *call) (app.Stamp, error)) *op {
	o := act(t, method, path, name, use, title, http.StatusOK, func(c *call, _ none) (Stamp, error) {
		s, err := f(c)
		return stamp(s), err
	})
	o.match, o.version = true, true
	o.again = func(c *call, events []app.Event) (*reply, error) {
		k, err := app.AsKept[struct{}](events[0])
		k.Retired = events[0].Verb == app.Retired
		return &reply{body: stamp(k.Stamp), version: k.Version}, err
	}
	return o
}

// uploads turns an operation into one whose body is a file.
func (o *op) uploads(media ...string) *op { o.upload = media; return o }
