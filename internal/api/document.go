package api

import (
	"encoding/json"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"sapward/internal/app"
)

// introduction stands at the head of the document.
const introduction = `Programs read and write what the pages of Sapward do, by the same rules.

**Signing in.** A person makes a token on the page Settings. It is sent as ` + "`Authorization: Bearer ...`" + `, acts for that person, and can do no more than its role and that person's role at that moment allow.

**Versions.** A thing's version is its ETag. A change names the version that was looked at in If-Match: without it the answer is 428, with an older one 412. A read with If-None-Match is answered 304 where nothing has changed.

**Trying again.** A POST that makes something names an Idempotency-Key of the caller's own making (such as a UUID). Asked again within a day with the same key and body, it gives the same answer and makes nothing twice, after a lost connection and a restart too. Another body under the same key is 422; while the first try is under way the answer is 409 with Retry-After. A request that was refused made nothing and frees its key.

**Figures.** Names carry their unit: _cm _mm _m _ml _ul _ha _deg _pct and so on. Figures that decide a dose are exact decimals as text; they may carry another unit on the way in ("12.5 in") and come back converted exactly.

**Problems.** Everything that goes wrong is application/problem+json (RFC 9457) with a code, a hint how to mend it and all faults at once, in English or Spanish by Accept-Language. A name in a body that is not known, or given twice, is a fault: nothing is dropped unseen.`

// tags name the groups of operations, in the order of the job.
var tags = []struct{ name, about string }{
	{"Estates", "Estates, what is due on them, search, and who may do what."},
	{"Blocks", "Blocks of trees of an estate."},
	{"Trees", "Trees with their tape readings, ratings and old holes."},
	{"Cards", "Label cards: what a product's label permits. The text is YAML as docs/methods describes it."},
	{"Plans", "Drafts, what they give today, and plans as they were approved."},
	{"Days", "Days at the trees: the morning's gate, what was noted, and its news as it comes."},
	{"Records", "Applications and their records."},
	{"Follow-up", "What was seen afterwards, and what follows from it."},
	{"Files", "Tables in and out, and files kept beside a thing."},
	{"About", "Who asks, history, and this document."},
}

// Document returns the OpenAPI 3.1 document of the interface.
func Document(version string) ([]byte, error) {
	s := &schemas{made: map[string]schema{}, types: nil}
	return json.MarshalIndent(documentOf(s, version), "", " ")
}

func documentOf(s *schemas, version string) schema {
	s.init()
	paths := map[string]map[string]any{}
	for _, o := range operations() {
		path := Root + strings.TrimPrefix(o.path, "/")
		if paths[path] == nil {
			paths[path] = map[string]any{}
		}
		paths[path][strings.ToLower(o.method)] = s.operation(o)
	}
	problem := s.of(problemType)
	list := []schema{}
	for _, t := range tags {
		list = append(list, schema{"name": t.name, "description": t.about})
	}
	return schema{
		"openapi": "3.1.0", "jsonSchemaDialect": "https://json-schema.org/draft/2020-12/schema",
		"info":     schema{"title": "Sapward", "version": "1", "summary": "Trunk injection and infusion: measure, plan, record.", "description": introduction + "\n\nProgram version " + orElse(version, "-") + ".", "license": schema{"name": "See LICENSE in the source", "url": "https://example.invalid/LICENSE"}},
		"servers":  []schema{{"url": "/", "description": "The server that this document came from."}},
		"tags":     list,
		"paths":    paths,
		"security": []schema{{"token": []string{}}, {"browser": []string{}}},
		"components": schema{
			"securitySchemes": schema{
				"token":   schema{"type": "http", "scheme": "bearer", "description": "A token that a person made under Settings."},
				"browser": schema{"type": "apiKey", "in": "cookie", "name": "sapward", "description": "The session of a signed-in browser (over TLS its name begins with __Host-); writes also carry the header X-Sapward: 1. Alone on a laptop there is no sign-in, and the header is enough."},
			},
			"responses": schema{"Problem": schema{"description": "What went wrong, and how to mend it.", "content": schema{"application/problem+json": schema{"schema": problem}}}},
			"schemas":   s.made,
		},
	}
}

// operation is one operation in the document.
func (s *schemas) operation(o *op) schema {
	out := schema{"operationId": o.name, "tags": []string{o.tag}, "summary": o.title}
	say := o.about
	if least, where, ok := app.PermissionOf(o.use); ok && !o.open {
		role := "Role: " + orElse(string(least), "any") + map[string]string{"there": " on the estate.", "anywhere": " on any estate.", "everywhere": " of everything."}[where]
		say = strings.TrimSpace(say + "\n\n" + role)
		out["x-least-role"] = string(least)
	}
	out["description"] = say
	params := []schema{}
	for _, part := range strings.Split(o.path, "/") {
		if name, ok := strings.CutPrefix(part, "{"); ok {
			params = append(params, schema{"name": strings.TrimSuffix(name, "}"), "in": "path", "required": true, "schema": schema{"type": "string"}, "description": pathNotes[strings.TrimSuffix(name, "}")]})
		}
	}
	for _, p := range o.query {
		k := schema{"type": p.kind}
		if p.words != nil {
			k["enum"] = p.words
		}
		if p.kind == "integer" {
			k["minimum"] = 0
		}
		x := schema{"name": p.name, "in": "query", "required": p.needed, "schema": k, "description": p.about}
		if p.many {
			x["schema"], x["style"], x["explode"] = schema{"type": "array", "items": k}, "form", true
		}
		params = append(params, x)
	}
	header := func(name, about string, needed bool, k schema) {
		params = append(params, schema{"name": name, "in": "header", "required": needed, "schema": k, "description": about})
	}
	if o.match {
		header("If-Match", "ETag of the version that was looked at.", true, schema{"type": "string", "pattern": `^"[0-9]+"$`, "examples": []string{`"1"`}})
	}
	if o.method == http.MethodPost {
		header("Idempotency-Key", "A name of the caller's own for this request, to ask again without doing it twice.", o.makes, schema{"type": "string", "minLength": 1, "maxLength": 200})
	}
	if o.method == http.MethodGet && !o.long && !o.open && o.media == "" {
		header("If-None-Match", "ETag of what the caller has already.", false, schema{"type": "string"})
	}
	if len(params) > 0 {
		out["parameters"] = params
	}
	if o.in != nil {
		body := schema{"schema": s.of(o.in)}
		if o.sample != nil {
			body["example"] = o.sample
		}
		out["requestBody"] = schema{"required": true, "content": schema{"application/json": body}}
	}
	if o.upload != nil {
		content := schema{}
		for _, m := range o.upload {
			k := schema{"type": "string"}
			if !strings.HasPrefix(m, "text/") && m != "application/yaml" {
				k = schema{}
			}
			content[m] = schema{"schema": k}
		}
		out["requestBody"] = schema{"required": true, "content": content}
	}
	out["responses"] = s.responses(o)
	if o.open {
		out["security"] = []schema{}
	}
	return out
}

func (s *schemas) responses(o *op) schema {
	ok := schema{"description": "Done."}
	if o.method == http.MethodGet {
		ok["description"] = "As it is now."
	}
	switch {
	case o.out != nil:
		k := s.of(o.out)
		if o.out.Kind().String() == "slice" {
			k["type"] = "array"
		}
		ok["content"] = schema{orElse(o.media, "application/json"): schema{"schema": k}}
	case strings.HasPrefix(o.media, "text/"):
		ok["content"] = schema{o.media: schema{"schema": schema{"type": "string"}}}
	case o.media != "":
		ok["content"] = schema{o.media: schema{"schema": schema{}}}
	}
	headers := schema{}
	if o.version || o.method == http.MethodGet && !o.long && o.media == "" {
		headers["ETag"] = schema{"description": "Of the version; If-Match and If-None-Match take it.", "schema": schema{"type": "string"}}
	}
	if o.makes && s.home(o) {
		headers["Location"] = schema{"description": "Where what was made is read.", "schema": schema{"type": "string"}}
	}
	if o.method == http.MethodPost {
		headers["Idempotent-Replayed"] = schema{"description": "true where the answer was given before.", "schema": schema{"type": "string"}}
	}
	if len(headers) > 0 {
		ok["headers"] = headers
	}
	out := schema{strconv.Itoa(o.status): ok}
	codes := []int{400, 404, 500, 503, 507}
	if !o.open {
		codes = append(codes, 401, 403, 429)
	}
	if o.method != http.MethodGet {
		codes = append(codes, 409, 413)
	}
	if o.in != nil || o.upload != nil {
		codes = append(codes, 415)
	}
	if o.method == http.MethodPost {
		codes = append(codes, 422)
	}
	if o.match {
		codes = append(codes, 412, 428)
	}
	slices.Sort(codes)
	for _, n := range codes {
		out[strconv.Itoa(n)] = schema{"$ref": "#/components/responses/Problem"}
	}
	if o.method == http.MethodGet && !o.long && o.media == "" {
		out["304"] = schema{"description": "The caller has it already."}
	}
	return out
}

// home reports whether what an operation makes has an address of its own.
func (s *schemas) home(o *op) bool {
	f, ok := o.out.FieldByName("Facts")
	return ok && homes[f.Type].path != ""
}

// pathNotes say what stands in a path.
var pathNotes = map[string]string{"id": "Identifier of the thing.", "type": "Type of the thing, such as tree.", "code": "Code of a problem."}
