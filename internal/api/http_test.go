package api

import (
	"encoding/json"
	"net/http"
	"net/url"
	"os"
	"strings"
	"testing"

	"sapward/internal/app"
)

func body(v any) string {
	data, err := json.Marshal(v)
	if err != nil {
		panic(err)
	}
	return string(data)
}

// A thin way through everything: a token reads a tree, changes it with its ETag,
// and is told in the reader's language what went wrong.
func TestTree_FromEndToEnd(t *testing.T) {
	s := small(t, Options{})
	crew := s.tokens[app.CrewLead]
	r := s.do(ask{method: "GET", path: "trees/" + s.tree, token: crew})
	if r.StatusCode != 200 || r.Header.Get("ETag") != `"1"` || len(r.Cookies()) > 0 {
		t.Fatalf("%d %v %s", r.StatusCode, r.Header, r.body)
	}
	var got Thing[app.TreeFacts]
	s.read(&got, r)
	if got.ID != s.tree || got.Facts.Tag != "T1" || got.Version != 1 {
		t.Errorf("%+v", got)
	}
	if r := s.do(ask{method: "GET", path: "trees/" + s.tree, token: crew, header: map[string]string{"If-None-Match": `"1"`}}); r.StatusCode != 304 || len(r.body) > 0 {
		t.Errorf("%d %s", r.StatusCode, r.body)
	}
	got.Facts.Species = "Ulmus minor"
	change := ask{method: "PUT", path: "trees/" + s.tree, token: crew, body: body(got.Facts)}
	if p := s.do(change).problem(t); p.Status != 428 || p.Code != "api-match-needed" {
		t.Errorf("%+v", p)
	}
	change.match = `"1"`
	if r := s.do(change); r.StatusCode != 200 || r.Header.Get("ETag") != `"2"` {
		t.Fatalf("%d %s", r.StatusCode, r.body)
	}
	r = s.do(change)
	if p := r.problem(t); p.Status != 412 || p.VersionGiven != 1 || p.VersionKept != 2 || r.Header.Get("ETag") != `"2"` {
		t.Errorf("%+v", p)
	}
	for _, wrong := range []string{`W/"2"`, `2`, `*`, `"2", "3"`, `"02"`, `"x"`} {
		change.match = wrong
		if p := s.do(change).problem(t); p.Status != 400 || p.Code != "api-match-form" {
			t.Errorf("%s: %+v", wrong, p)
		}
	}
	change.match, change.body = `"2"`, `{"tag":"T1","species":"x","colour":"green","stems":[{"girth_cm":98.5},{"girth":"1"}],"tag":"T2"}`
	p := s.do(change).problem(t)
	places := map[string]string{}
	for _, x := range p.Errors {
		places[x.Code+" "+*x.Pointer] = x.Hint
	}
	for _, want := range []string{"api-unknown /colour", "api-kind /stems/0/girth_cm", "api-unknown /stems/1/girth", "api-twice /tag"} {
		if places[want] == "" {
			t.Errorf("%s is not told in %v", want, places)
		}
	}
	change.header = map[string]string{"Accept-Language": "es-MX, en;q=0.5"}
	r = s.do(change)
	if p := r.problem(t); r.Header.Get("Content-Language") != "es" || !strings.Contains(p.Detail, "aparece dos veces") {
		t.Errorf("%s", r.body)
	}
	change.body = `{"tag":"T1","stems":[{"girth_cm":"-1"}]}`
	if p := s.do(change).problem(t); p.Errors[0].Field != "girth" || p.Code != "field-range" {
		t.Errorf("%+v", p)
	}
}

// Who may do what is what the table of permissions says, for every operation and
// role; an owner of another estate is let in nowhere, nobody without a token is,
// and every answer fits the document.
func TestOperations_EveryRole(t *testing.T) {
	s := filled(t, Options{})
	check := conforming(t, s)
	s.watch = check
	requests := s.requests()
	for _, o := range operations() {
		make, ok := requests[o.name]
		if !ok {
			t.Errorf("%s is not tried", o.name)
			continue
		}
		if make == nil {
			continue // tried by itself
		}
		least, where, _ := app.PermissionOf(o.use)
		for i := len(app.Roles) - 1; i >= 0; i-- {
			role := app.Roles[i]
			a := make()
			a.method, a.token = o.method, s.tokens[role]
			if o.makes {
				a.key = "new"
			}
			if o.long {
				continue // told by itself
			}
			r := s.do(a)
			allowed := role.Allows(least) && (where != "everywhere" || role == app.Owner) || o.open
			if allowed && r.StatusCode != o.status || !allowed && r.StatusCode != 403 {
				t.Errorf("%s as %s (least %s): %d %.300s", o.name, role, least, r.StatusCode, r.body)
				break
			}
		}
		if o.open || o.long {
			continue
		}
		a := make()
		a.method = o.method
		if o.makes {
			a.key = "new"
		}
		if r := s.do(a); r.StatusCode != 401 || r.Header.Get("WWW-Authenticate") == "" {
			t.Errorf("%s without a token: %d", o.name, r.StatusCode)
		}
		a.token = s.stranger
		if r := s.do(a); where == "there" && r.StatusCode != 403 && r.StatusCode != 404 {
			t.Errorf("%s as a stranger: %d %.200s", o.name, r.StatusCode, r.body)
		}
	}
}

// requests are a request to every operation that succeeds for who may do it.
func (s *stage) requests() map[string]func() ask {
	ctx := s.t.Context()
	n := 0
	number := func() string {
		n++
		return strings.Repeat("x", n%7) + string(rune('a'+n%26)) + "-" + itoa(n)
	}
	get := func(path string) func() ask { return func() ask { return ask{path: path} } }
	estate := func(v app.EstateView, err error) string { s.must(err); return tag(v.Version) }
	newEstate := func() app.Estate {
		e, err := s.app.AddEstate(ctx, me, app.EstateFacts{Name: number(), Zone: "UTC"})
		s.must(err)
		for _, r := range app.Roles {
			_, err := s.app.Grant(ctx, me, e.ID, s.people[r].Person, r)
			s.must(err)
		}
		return e
	}
	newBlock := func() app.Block {
		b, err := s.app.AddBlock(ctx, me, s.estate, app.BlockFacts{Name: number()})
		s.must(err)
		return b
	}
	side := newBlock().ID // the plan's own block stays as it is
	newTree := func() app.Tree {
		x, err := s.app.AddTree(ctx, me, side, app.TreeFacts{Tag: number()})
		s.must(err)
		return x
	}
	newWound := func() app.Wound {
		w, err := s.app.AddWound(ctx, me, s.tree, app.WoundFacts{AzimuthDeg: 10, HeightCM: "20", HoleMM: "6", Year: 2024})
		s.must(err)
		return w
	}
	c, err := s.app.Card(ctx, me, s.card)
	s.must(err)
	cardText := func() string { return strings.ReplaceAll(c.Facts.Text, "Invented Product A", "Invented "+number()) }
	newCard := func() app.Card {
		k, err := s.app.AddCard(ctx, me, cardText())
		s.must(err)
		return k
	}
	d, _, err := s.app.Draft(ctx, me, s.draft)
	s.must(err)
	newDraft := func() app.Draft {
		x, err := s.app.AddDraft(ctx, me, s.block, d.Facts)
		s.must(err)
		return x
	}
	day := func() app.DayView { v, err := s.app.Day(ctx, me, s.day); s.must(err); return v }
	closed := func() app.FieldDay {
		v, err := s.app.OpenDay(ctx, me, s.plan, app.DayOrder{People: []string{"crew one"}})
		s.must(err)
		return v
	}
	newApplication := func() app.Application {
		x, err := s.app.AddApplication(ctx, me, s.block, app.ApplicationFacts{Product: number(), DateEnd: "2020-01-01"})
		s.must(err)
		return x
	}
	newRecord := func() app.ApplicationRecord {
		r, err := s.app.NewRecord(ctx, me, s.block, record_)
		s.must(err)
		return r
	}
	visits := 0
	newVisit := func() string {
		visits++
		return "2023-" + two(1+visits/25) + "-" + two(1+visits%25)
	}
	file := func() app.Attachment {
		a, err := s.app.Attach(ctx, me, app.TypeTree, s.tree, number()+".txt", "text/plain", "", strings.NewReader("invented "+number()))
		s.must(err)
		return a
	}
	stale := func() app.Tree { return newTree() }
	table := func() string { return "tree,girth_cm\n" + number() + ",100\n" }
	follow := func() string {
		f, err := s.app.FollowUp(ctx, me, s.block)
		s.must(err)
		return `"` + itoa(f.Follow.Version) + `"`
	}
	csv := "text/csv"
	return map[string]func() ask{
		"listEstates": get("estates"), "getEstate": get("estates/" + s.estate), "listDue": get("estates/" + s.estate + "/due"), "search": get("search?q=E0&limit=5"), "listPeople": get("people"), "getSettings": get("settings"),
		"addEstate": func() ask { return ask{path: "estates", body: body(app.EstateFacts{Name: number(), Zone: "UTC"})} },
		"changeEstate": func() ask {
			v, err := s.app.Estate(ctx, me, s.estate)
			return ask{path: "estates/" + s.estate + "?reason=x", match: estate(v, err), body: body(v.Facts)}
		},
		"retireEstate": func() ask { e := newEstate(); return ask{path: "estates/" + e.ID, match: tag(e.Version)} },
		"listBlocks":   get("estates/" + s.estate + "/blocks"), "getBlock": get("blocks/" + s.block), "listPlaces": get("blocks/" + s.block + "/places"),
		"addBlock": func() ask {
			return ask{path: "estates/" + s.estate + "/blocks", body: body(app.BlockFacts{Name: number(), Boundary: []app.Point{{X: 0, Y: 0}, {X: 1, Y: 0}, {X: 1, Y: 1}}})}
		},
		"changeBlock": func() ask { b := newBlock(); return ask{path: "blocks/" + b.ID, match: tag(1), body: body(b.Facts)} },
		"retireBlock": func() ask { b := newBlock(); return ask{path: "blocks/" + b.ID, match: tag(1)} },
		"restoreBlock": func() ask {
			b := newBlock()
			_, err := s.app.RetireBlock(ctx, me, b.ID, 1, "")
			s.must(err)
			return ask{path: "blocks/" + b.ID + "/restore", match: tag(2)}
		},
		"listTrees": get("blocks/" + s.block + "/trees?limit=5&status=healthy"), "streamTrees": get("blocks/" + s.block + "/trees.ndjson"), "getTree": get("trees/" + s.tree), "listMeasurements": get("trees/" + s.tree + "/measurements"), "listWounds": get("trees/" + s.tree + "/wounds"),
		"addTree":    func() ask { return ask{path: "blocks/" + side + "/trees", body: body(app.TreeFacts{Tag: number()})} },
		"changeTree": func() ask { x := stale(); return ask{path: "trees/" + x.ID, match: tag(1), body: body(x.Facts)} },
		"retireTree": func() ask { x := newTree(); return ask{path: "trees/" + x.ID + "?reason=felled", match: tag(1)} },
		"restoreTree": func() ask {
			x := newTree()
			_, err := s.app.RetireTree(ctx, me, x.ID, 1, "")
			s.must(err)
			return ask{path: "trees/" + x.ID + "/restore", match: tag(2)}
		},
		"measureTree": func() ask {
			x := newTree()
			return ask{path: "trees/" + x.ID + "/measurements", match: tag(1), body: body(Measurement{Stems: []app.StemFacts{{GirthCM: "39.4 in"}}})}
		},
		"rateTree": func() ask {
			x := newTree()
			return ask{path: "trees/" + x.ID + "/ratings", match: tag(1), body: body(Rating{Status: "suspect", CrownLossPct: "5"})}
		},
		"addWound": func() ask {
			return ask{path: "trees/" + s.tree + "/wounds", body: `{"azimuth_deg":12.5,"height_cm":"10 in","hole_mm":"6","on":"2024-05-01"}`}
		},
		"changeWound": func() ask {
			w := newWound()
			w.Facts.Closed = true
			return ask{path: "wounds/" + w.ID, match: tag(1), body: body(w.Facts)}
		},
		"retireWound": func() ask { return ask{path: "wounds/" + newWound().ID, match: tag(1)} },

		"listCards": get("cards"), "getCard": get("cards/" + s.card), "listCardVersions": get("cards/" + s.card + "/versions"), "listCardChecks": get("cards/" + s.card + "/checks"),
		"listCardChanges": func() ask {
			k := newCard()
			x, err := s.app.ChangeCard(ctx, me, k.ID, 1, cardText(), "")
			s.must(err)
			return ask{path: "cards/" + k.ID + "/changes?from=" + k.Facts.Hash + "&to=" + x.Facts.Hash}
		},
		"addCard": func() ask { return ask{path: "cards", media: "application/yaml", body: cardText()} },
		"tryCard": func() ask { return ask{path: "cards/try", media: "application/yaml", body: cardText()} },
		"changeCard": func() ask {
			return ask{path: "cards/" + newCard().ID, match: tag(1), media: "text/yaml", body: cardText()}
		},
		"retireCard": func() ask { return ask{path: "cards/" + newCard().ID, match: tag(1)} },
		"restoreCard": func() ask {
			k := newCard()
			_, err := s.app.RetireCard(ctx, me, k.ID, 1, "")
			s.must(err)
			return ask{path: "cards/" + k.ID + "/restore", match: tag(2)}
		},
		"checkCard": func() ask {
			k := newCard()
			return ask{path: "cards/" + k.ID + "/checks", body: body(Checking{Hash: k.Facts.Hash})}
		},

		"listPlans": get("blocks/" + s.block + "/plans"), "getDraft": get("drafts/" + s.draft), "getDraftDocument": get("drafts/" + s.draft + "/document"), "listWaits": get("drafts/" + s.draft + "/waits"), "getPlan": get("plans/" + s.plan), "getPlanDocument": get("plans/" + s.plan + "/document"),
		"tryPlan":     func() ask { return ask{path: "blocks/" + s.block + "/plans/try", body: body(d.Facts)} },
		"addDraft":    func() ask { return ask{path: "blocks/" + s.block + "/drafts", body: body(d.Facts)} },
		"changeDraft": func() ask { x := newDraft(); return ask{path: "drafts/" + x.ID, match: tag(1), body: body(x.Facts)} },
		"retireDraft": func() ask { return ask{path: "drafts/" + newDraft().ID, match: tag(1)} },
		"answerFact": func() ask {
			return ask{path: "drafts/" + newDraft().ID + "/answers", match: tag(1), body: body(FactAnswer{"certificate-needed", "2040-01-01"})}
		},
		"approvePlan": func() ask { x := s.ready(); return ask{path: "drafts/" + x.ID + "/approve", match: tag(x.Version)} },
		"withdrawPlan": func() ask {
			return ask{path: "plans/" + s.approved() + "?reason=" + url.QueryEscape("not now"), match: tag(1)}
		},

		"listGates": get("plans/" + s.plan + "/gates"), "listDays": get("plans/" + s.plan + "/days"), "getDay": get("days/" + s.day), "getDayState": get("days/" + s.day + "/state"), "listNotes": get("days/" + s.day + "/notes"), "watchDay": get("days/" + s.day + "/events"),
		"tryGate":  func() ask { return ask{path: "plans/" + s.plan + "/gates/try", body: body(s.gate(s.plan))} },
		"keepGate": func() ask { return ask{path: "plans/" + s.plan + "/gates", body: body(s.gate(s.plan))} },
		"openDay": func() ask {
			return ask{path: "plans/" + s.plan + "/days", body: body(DayOrder{People: []string{"crew one"}})}
		},
		"changeDay": func() ask {
			return ask{path: "days/" + s.day, match: tag(day().Version), body: body(DayOrder{People: []string{"crew one", "crew two"}})}
		},
		"closeDay": func() ask { return ask{path: "days/" + closed().ID + "/close", match: tag(1)} },
		"addNotes": func() ask {
			return ask{path: "days/" + s.day + "/notes", body: body(NoteList{[]Noted{{Kind: "note", Tree: "E001", Text: number()}}})}
		},

		"listApplications": get("blocks/" + s.block + "/applications"), "listRecords": get("estates/" + s.estate + "/records?from=2020-01-01"),
		"addApplication": func() ask {
			return ask{path: "blocks/" + s.block + "/applications", body: body(app.ApplicationFacts{Product: number(), DateEnd: "2020-01-01"})}
		},
		"changeApplication": func() ask {
			x := newApplication()
			return ask{path: "applications/" + x.ID + "?reason=slip", match: tag(1), body: body(x.Facts)}
		},
		"retireApplication": func() ask { return ask{path: "applications/" + newApplication().ID, match: tag(1)} },
		"addRecord":         func() ask { return ask{path: "blocks/" + s.block + "/records", body: body(NewRecord{record_})} },
		"recordDay": func() ask {
			x := closed()
			_, err := s.app.CloseDay(ctx, me, x.ID, 1)
			s.must(err)
			return ask{path: "days/" + x.ID + "/record", body: `{"regimes":["us-wps"]}`}
		},
		"getRecord":      func() ask { return ask{path: "records/" + newRecord().ID} },
		"getRecordState": func() ask { return ask{path: "records/" + newRecord().ID + "/state"} },
		"amendRecord": func() ask {
			return ask{path: "records/" + newRecord().ID, match: tag(1), body: body(AmendedRecord{Content: amended, Reason: "slip"})}
		},
		"signRecord": func() ask {
			return ask{path: "records/" + newRecord().ID + "/sign", match: tag(1), body: body(Signature{"invented"})}
		},

		"getFollowUp": get("blocks/" + s.block + "/follow"), "getFollowFacts": get("blocks/" + s.block + "/follow/facts"), "listVisits": get("blocks/" + s.block + "/visits"), "getSeason": get("blocks/" + s.block + "/season"),
		"setFollowFacts": func() ask {
			return ask{path: "blocks/" + s.block + "/follow/facts", match: follow(), body: `{"day_zero":"2023-05-01","groups":[{"treatment":"treated","trees":["E001","E002"]}]}`}
		},
		"addVisit": func() ask {
			return ask{path: "blocks/" + s.block + "/visits", body: `{"on":"` + newVisit() + `","scale":"percent","rows":[{"tree":"E001","rating":5},{"tree":"E002","status":"alive"}]}`}
		},
		"retireVisit": func() ask {
			v, err := s.app.AddVisit(ctx, me, s.block, app.VisitFacts{On: newVisit(), Scale: "percent", Rows: []app.VisitRow{{Tree: "E001", Status: "alive"}}})
			s.must(err)
			return ask{path: "visits/" + v.ID, match: tag(v.Version)}
		},

		"previewImport": func() ask {
			return ask{path: "blocks/" + side + "/imports/preview?kind=trees&name=x.csv", media: csv, body: table()}
		},
		"importTable": func() ask {
			return ask{path: "blocks/" + side + "/imports?kind=trees&name=x.csv", media: csv, body: table()}
		},
		"importFollowUp": func() ask {
			f, err := s.app.FollowUp(ctx, me, s.block)
			s.must(err)
			if x := f.Follow.Facts; x.DayZero == "" {
				x.DayZero = "2023-05-01"
				_, err := s.app.SetFollow(ctx, me, s.block, f.Follow.Version, x)
				s.must(err)
			}
			return ask{path: "blocks/" + s.block + "/follow/imports?kind=assays&name=x.csv", media: csv, body: s.file("../demo/files/avenue/assays.csv")}
		},
		"exportEstate": get("estates/" + s.estate + "/export.zip"), "listAttachments": get("attachments?of=tree&id=" + s.tree),
		"attach": func() ask {
			return ask{path: "attachments?of=tree&id=" + s.tree + "&name=a.txt&note=x", media: "text/plain", body: "invented " + number()}
		},
		"getAttachment":        func() ask { return ask{path: "attachments/" + file().ID} },
		"getAttachmentContent": func() ask { return ask{path: "attachments/" + file().ID + "/content"} },
		"retireAttachment":     func() ask { return ask{path: "attachments/" + file().ID, match: tag(1)} },

		"getMe": get("me"), "listTokens": get("tokens"), "listHistory": get("history?limit=10&estate=" + s.estate), "getHistory": get("history/tree/" + s.tree), "explainProblem": get("problems/app-conflict"), "getDocument": get("openapi.json"),
		"withdrawToken": nil, "undo": nil,
	}
}

func (s *stage) file(name string) string {
	data, err := os.ReadFile(name)
	s.must(err)
	return string(data)
}

var _ = http.MethodGet
