package app

import (
	"bytes"
	"context"
	"fmt"
	"strconv"
	"strings"

	"sapward/follow/trial"
	"sapward/measure/civil"
)

// followed tells the invented story of two seasons: a strip of young chestnuts
// beside the block's own, 15 injected, 15 infused, 15 untreated, rated twelve
// times, with deaths, removals and residues. What lies after today is left out.
func (d *demo) followed(ctx context.Context) error {
	table, there := d.files["chestnut/strip.csv"]
	if !there || d.Follow == nil {
		return nil
	}
	if _, err := d.Import(ctx, d.lead, d.chestnut, TableTrees, "strip.csv", bytes.NewReader(table), nil); err != nil {
		return err
	}
	if err := d.trial(ctx); err != nil {
		return err
	}
	zero := civil.Date{Year: d.season - 1, Month: 6, Day: 10}
	today := civil.Of(d.Now().UTC())
	past := func(name string, column int) []byte { // rows whose day has come
		var out bytes.Buffer
		for i, line := range strings.SplitAfter(string(d.files["chestnut/"+name]), "\n") {
			cells := strings.Split(strings.TrimSpace(line), ",")
			if i > 1 && len(cells) > column {
				if day, err := strconv.Atoi(cells[column]); err == nil && !zero.AddDays(day).Before(today) {
					continue
				}
			}
			out.WriteString(line)
		}
		return out.Bytes()
	}
	level, interval := 0.4, 60.0
	if _, err := d.SetFollow(ctx, d.lead, d.chestnut, 0, FollowFacts{
		DayZero: zero.String(), EffectiveMgKg: &level, IntervalD: &interval, NextVisit: civil.Date{Year: d.season + 1, Month: 5, Day: 6}.String(),
		Note: "Invented for Sapward's demo: no such tree was treated or rated. / Inventado para la demostración.",
	}); err != nil {
		return err
	}
	if _, err := d.ImportFollow(ctx, d.lead, d.chestnut, TableRatings, "ratings.csv", bytes.NewReader(past("ratings.csv", 2))); err != nil {
		return err
	}
	if _, err := d.ImportFollow(ctx, d.lead, d.chestnut, TableRatings, "closure.csv", bytes.NewReader(past("closure.csv", 2))); err != nil {
		return err
	}
	f, err := d.follow(ctx, d.Store, d.chestnut)
	if err != nil {
		return err
	}
	for _, g := range f.Facts.Groups {
		if g.Treatment != "injection" && g.Treatment != "infusion" {
			continue
		}
		a := ApplicationFacts{Product: d.cardB.Facts.Product, Method: g.Treatment, DateEnd: zero.String(), NextEarliest: zero.AddDays(60).String(), Note: "Invented. / Inventado."}
		for _, t := range g.Trees {
			a.Trees = append(a.Trees, Treated{Tag: t})
		}
		if _, err := d.AddApplication(ctx, d.lead, d.chestnut, a); err != nil {
			return err
		}
	}
	if _, err := d.ImportFollow(ctx, d.lead, d.chestnut, TableAssays, "residues.csv", bytes.NewReader(past("residues.csv", 1))); err != nil {
		return err
	}
	return d.ill(ctx)
}

// trial lays the strip out before anything is treated, as the demo's commands
// do: the story's treatments are those that its seed dealt.
func (d *demo) trial(ctx context.Context) error {
	about := map[string]string{}
	for _, l := range strings.Split(string(d.files["chestnut/about.csv"]), "\n") {
		field, text, _ := strings.Cut(l, ",")
		about[field] = strings.Trim(text, `"`)
	}
	t, err := d.DesignTrial(ctx, d.adviser, d.chestnut, TrialDesign{Name: "Strip (invented)", Trees: "T*", On: civil.Date{Year: d.season - 1, Month: 6, Day: 10}.String(), Request: trial.Request{
		Design: trial.RCBD, Treatments: []string{"untreated", "injection", "infusion"}, Control: "untreated", Replicates: 15, BlockBy: trial.ByOrder, PreRated: true, Blinded: true, Seed: demoTrialSeed,
	}})
	if err != nil {
		return err
	}
	_, err = d.ChangeTrial(ctx, d.adviser, t.ID, t.Version, t.Facts.Name, t.Facts.On, about)
	return err
}

// demoTrialSeed is the seed that the demo's files were dealt with.
const demoTrialSeed = 785264

// ill brings the trees that are ill up to what the last visits found.
func (d *demo) ill(ctx context.Context) error {
	visits, err := list[VisitFacts](ctx, d.Store, Query{Type: TypeVisit, Parent: d.chestnut})
	if err != nil {
		return err
	}
	last, on := map[string]VisitRow{}, map[string]string{}
	for _, v := range visits {
		for _, r := range v.Facts.Rows {
			if r.Status != TreeMissed {
				last[r.Tree], on[r.Tree] = r, v.Facts.On
			}
		}
	}
	s, err := d.standing(ctx, d.Store, d.chestnut, sorted(last))
	if err != nil {
		return err
	}
	for _, tag := range sorted(last) {
		r := last[tag]
		if r.Rating == nil || *r.Rating < 10 {
			continue
		}
		t := s.trees[tag]
		_, err = d.RateTree(ctx, d.lead, t.ID, t.Version, "symptomatic", fmt.Sprint(*r.Rating), on[tag])
		if err != nil {
			return err
		}
	}
	return nil
}
