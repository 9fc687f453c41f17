package app_test

import (
	"testing"
	"time"

	"sapward/apply/fieldlog"
	"sapward/apply/record"
	"sapward/internal/app"
	"sapward/plan"
)

// A day becomes a record: what was noted, what the card says, what the gate
// read; and the block's history has the application and every hole. Then it is
// completed, signed and amended, and every version stays.
func TestRecord_OfADay(t *testing.T) {
	ctx, me := t.Context(), app.Local()
	w := newWorld(t)
	day := openDay(t, w.App, w.draft)
	p := join(t, w.App, day, 0)
	v, err := w.Day(ctx, me, day.ID)
	if err != nil {
		t.Fatal(err)
	}
	tags := v.Facts.Trees[:2]
	var product int64
	for _, tag := range tags {
		for _, q := range p.log.Tree(tag).Ports {
			p.note(fieldlog.Event{Kind: fieldlog.Drill, Tree: tag, Port: q.N, AlongMM: ul(int64(q.AlongCM*10) + 2), DepthMM: ul(31)})
			p.note(fieldlog.Event{Kind: fieldlog.Load, Tree: tag, Port: q.N, VolumeUL: ul(q.PlannedUL), Container: "DEMO-0001", Lot: "L7"})
			p.note(fieldlog.Event{Kind: fieldlog.Read, Tree: tag, Port: q.N, LeftUL: ul(500)})
			p.note(fieldlog.Event{Kind: fieldlog.Seal, Tree: tag, Port: q.N})
			product += q.PlannedUL - 500
		}
	}
	p.send()
	if _, err := w.RecordDay(ctx, me, day.ID, []string{"us-40cfr171"}); !hasFault(err, "record-day-open") {
		t.Errorf("the record of an open day: %v", err)
	}
	if _, err := w.CloseDay(ctx, me, day.ID, day.Version); err != nil {
		t.Fatal(err)
	}
	had, err := w.Tree(ctx, me, treeOf(t, w, tags[0]))
	if err != nil {
		t.Fatal(err)
	}
	r, err := w.RecordDay(ctx, me, day.ID, []string{"us-40cfr171", "eu-2023-564"})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := w.RecordDay(ctx, me, day.ID, nil); !hasFault(err, "record-day-twice") {
		t.Errorf("a second record of one day: %v", err)
	}
	x, err := w.Record(ctx, me, r.ID)
	if err != nil || len(x.Tamper) != 0 {
		t.Fatal(err, x.Tamper)
	}
	due, err := w.Due(ctx, me, x.Estate.ID) // its deadlines stand among what is due
	kinds := map[string]int{}
	for _, d := range due {
		if d.Ref == r.ID {
			kinds[d.Kind]++
			if d.On == "" || d.Treatment != "us-40cfr171" && d.Treatment != "eu-2023-564" {
				t.Errorf("%+v", d)
			}
		}
	}
	if want := record.Dues(&x.Record.Last().Content, func(name string) (*time.Location, error) { return time.LoadLocation(name) }); err != nil || len(kinds) == 0 && len(want) > 0 {
		t.Errorf("due of the record: %v, by the core %+v, %v", kinds, want, err)
	} else {
		t.Logf("due: %v", kinds)
	}
	c := x.Record.Last().Content
	total, ok := c.Products[0].Total.Known()
	if !ok || total.String() != microML(product)+" mL" || len(c.Trees) != 2 || c.Card == nil {
		t.Errorf("total %v (%v), want %s; %d trees", total, ok, microML(product), len(c.Trees))
	}
	if temp, ok := c.Weather.Temperature.Known(); !ok || temp.Value.String() != "20" {
		t.Errorf("the gate's reading: %+v", c.Weather.Temperature)
	}
	if _, ok := c.Weather.WindSpeed.Known(); ok || c.Weather.WindSpeed.State != record.NotRecorded {
		t.Error("wind that nobody read is recorded")
	}
	if x.Done.Complete || len(x.Done.Gaps) == 0 {
		t.Error("a record without a certified applicator is complete")
	}
	now, err := w.Tree(ctx, me, treeOf(t, w, tags[0]))
	if err != nil || len(now.Wounds) != len(had.Wounds)+len(p.log.Tree(tags[0]).Ports) {
		t.Errorf("%d holes before, %d after (%v)", len(had.Wounds), len(now.Wounds), err)
	}
	apps, err := w.Applications(ctx, me, v.Block.ID)
	if err != nil || len(apps) == 0 || len(apps[0].Facts.Trees) != 2 || apps[0].Facts.Plan != day.Parent {
		t.Errorf("the block's history: %+v (%v)", apps, err)
	}
	if _, err := w.SignRecord(ctx, me, r.ID, r.Version, ""); !hasFault(err, "record-signer-missing") {
		t.Errorf("signed by nobody: %v", err)
	}
	// Filled in, signed, amended: every version stays and verifies.
	c.People.Applicator = record.Is(record.Certified{Name: "invented applicator", Number: "X-1", Expires: x.Record.Last().Content.Work.Date.Value.To.AddDays(400)})
	r, err = w.AmendRecord(ctx, me, r.ID, r.Version, c, "")
	if err != nil {
		t.Fatal(err)
	}
	end, _ := c.Work.End.Known()
	if later := end.T.Add(time.Hour); later.After(time.Now()) {
		w.Now = func() time.Time { return later }
	}
	if _, err := w.SignRecord(ctx, me, r.ID, r.Version-1, "x"); err == nil {
		t.Error("a version that was not looked at was signed")
	}
	if _, err := w.SignRecord(ctx, me, r.ID, r.Version, ""); !hasFault(err, "record-incomplete") {
		t.Errorf("signed though something is missing: %v", err)
	}
	if r, err = w.SignRecord(ctx, me, r.ID, r.Version, "owner's address follows"); err != nil || !r.Facts.Signed {
		t.Fatal(err)
	}
	c.Notes = []string{"corrected"}
	if _, err := w.AmendRecord(ctx, me, r.ID, r.Version, c, ""); !hasFault(err, "record-reason-needed") {
		t.Errorf("amended without a reason: %v", err)
	}
	if r, err = w.AmendRecord(ctx, me, r.ID, r.Version, c, "a slip"); err != nil || r.Facts.Signed {
		t.Fatal(err, r.Facts.Signed)
	}
	x, err = w.Record(ctx, me, r.ID)
	if err != nil || len(x.Record.Versions) != 4 || len(x.Tamper) != 0 || x.Record.Versions[2].Signature == nil {
		t.Errorf("%d versions, %v, %v", len(x.Record.Versions), x.Tamper, err)
	}
	list, err := w.Records(ctx, me, w.estate, app.RecordQuery{Regime: "eu-2023-564", Text: "invented"})
	if err != nil || len(list) != 1 {
		t.Errorf("found %d (%v)", len(list), err)
	}
	if rep, err := w.Check(ctx, me, nil); err != nil || len(rep.Findings) != 0 {
		t.Errorf("check: %+v (%v)", rep.Findings, err)
	}
	// A second day is not doubled into the history, and its persons are there.
	if _, err := w.Record(ctx, w.people[app.Viewer], r.ID); !denied(err) {
		t.Errorf("a viewer reads persons' data: %v", err)
	}
}

func treeOf(t *testing.T, w *world, tag string) string {
	t.Helper()
	found, err := w.Trees(t.Context(), app.Local(), app.TreeQuery{Block: blockOf(t, w), Text: tag})
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range found.Trees {
		if x.Facts.Tag == tag {
			return x.ID
		}
	}
	t.Fatalf("no tree %s", tag)
	return ""
}

func blockOf(t *testing.T, w *world) string {
	t.Helper()
	d, _, err := w.Draft(t.Context(), app.Local(), w.draft)
	if err != nil {
		t.Fatal(err)
	}
	return d.Parent
}

// microML writes microlitres in mL.
func microML(ul int64) string { return plan.Microlitres(ul).String() }
