package exchange

import (
	"strings"
	"testing"

	"sapward/finding"
	"sapward/measure/civil"
)

func TestTables_Wounds(t *testing.T) {
	rows, _, err := ReadWounds(strings.NewReader("tree,stem,azimuth_deg,height_cm,year,closed,hole_mm\n007,2,360,30,2024,yes,6\nB,,90.5,-5,2025,,9.5\n"), "w.csv")
	if err != nil {
		t.Fatal(err)
	}
	a, b := rows[0], rows[1]
	if a.Tree != "007" || a.Stem != "2" || a.AzimuthDeg != 0 || a.Height.Base().String() != "30" || a.Year != 2024 || !a.Closed || a.Hole.Base().String() != "0.6" || a.Row != 2 {
		t.Errorf("%+v", a)
	}
	if b.AzimuthDeg != 90.5 || b.Closed || b.Height.Base().String() != "-5" || b.Hole.Base().String() != "0.95" {
		t.Errorf("%+v", b)
	}
	for text, want := range map[string]string{
		"tree,azimuth_deg,height_cm,year,closed\nA,1,2,2024,no\n":                 "column-missing 1:0",
		"tree,azimuth_deg,height_cm,year,hole_mm\nA,361,2,24,\nB,-1,x,2024.5,0\n": "value-range 2:3 | value-range 2:9 | cell-empty 2:12 | value-range 3:3 | number-unclear 3:6 | value-not-whole 3:8 | value-range 3:15",
		"tree,azimuth_deg,height_cm,year,hole_mm\n":                               "file-no-rows 0:0",
	} {
		_, _, err := ReadWounds(strings.NewReader(text), "w.csv")
		if got := places(finding.AsFaults(err)); got != want {
			t.Errorf("%q\n got %s\nwant %s", text, got, want)
		}
	}
}

func TestTables_Limbs(t *testing.T) {
	rows, _, err := ReadLimbs(strings.NewReader("árbol;rama;azimut;altura_m;diámetro_cm\nA;N;10;2,5;22\nA;S;190;2,5;18\n"), "l.csv")
	if err != nil || len(rows) != 2 || rows[1].Name != "S" || rows[1].Height.Base().String() != "250" || rows[1].Diameter.Base().String() != "18" {
		t.Errorf("%+v %v", rows, err)
	}
	_, _, err = ReadLimbs(strings.NewReader("tree,limb,azimuth_deg,height_m,diameter_cm\nA,N,10,2.5,22\nA,N,20,2.5,0.5\n"), "l.csv")
	if got := places(finding.AsFaults(err)); got != "diameter-range 3:12" {
		t.Error(got)
	}
	_, _, err = ReadLimbs(strings.NewReader("tree,limb,azimuth_deg,height_m,diameter_cm\nA,N,10,2.5,22\nA,N,20,2.5,5\n"), "l.csv")
	if got := places(finding.AsFaults(err)); got != "limb-twice 3:0" {
		t.Error(got)
	}
}

func TestTables_Obstacles(t *testing.T) {
	rows, _, err := ReadObstacles(strings.NewReader("tree,from_deg,to_deg,kind\nA,350,10,included bark\nA,0,360,canker\n"), "o.csv")
	if err != nil || rows[0].FromDeg != 350 || rows[0].ToDeg != 10 || rows[0].Kind != "included bark" || rows[1].FromDeg != 0 || rows[1].ToDeg != 360 {
		t.Errorf("%+v %v", rows, err)
	}
	_, _, err = ReadObstacles(strings.NewReader("tree,from_deg,to_deg,kind\nA,10,10,crack\nA,10,400,crack\n"), "o.csv")
	if got := places(finding.AsFaults(err)); got != "arc-empty 2:6 | value-range 3:6" {
		t.Error(got)
	}
}

func TestTables_History(t *testing.T) {
	rows, _, err := ReadHistory(strings.NewReader("tree,product,active,active_g,product_ml,date_end,block,area_ha,method\nA,Invented Product A,invented active a,1.25,6,2025-05-04,north,0.5,injection\n,Invented Product B,,,,2024-02-29,north,,\n"), "h.csv")
	if err != nil {
		t.Fatal(err)
	}
	a, b := rows[0], rows[1]
	if a.ActiveMass.Value.Base().String() != "1.25" || a.ProductVolume.Value.Base().String() != "6" || a.Area.Value.Base().String() != "5000" || a.DateEnd != (civil.Date{Year: 2025, Month: 5, Day: 4}) || a.Active != "invented active a" {
		t.Errorf("%+v", a)
	}
	if b.Tree != "" || b.Block != "north" || b.ActiveMass.Known || b.ProductVolume.Known || b.Area.Known {
		t.Errorf("%+v", b)
	}
	_, _, err = ReadHistory(strings.NewReader("tree,product,date_end,active_lb,area_ac\n,x,2025-02-29,-1,0\n"), "h.csv")
	if got := places(finding.AsFaults(err)); got != "cell-empty 2:1 | date-unclear 2:4 | value-range 2:15 | value-range 2:18" {
		t.Error(got)
	}
	_, _, err = ReadHistory(strings.NewReader("product,date_end\nx,2025-02-28\n"), "h.csv")
	if got := places(finding.AsFaults(err)); got != "column-missing 1:0" {
		t.Error(got)
	}
}

func TestTables_Crew(t *testing.T) {
	rows, _, err := ReadCrew(strings.NewReader("person,role,climber,trained_second\nworker 1,lead,yes,no\nworker 2,,,1\n"), "c.csv")
	if err != nil || len(rows) != 2 || !rows[0].Climber || rows[0].TrainedSecond || rows[1].Climber || !rows[1].TrainedSecond || rows[0].Role != "lead" {
		t.Errorf("%+v %v", rows, err)
	}
	_, _, err = ReadCrew(strings.NewReader("person\nworker 1\nworker 1\n"), "c.csv")
	if got := places(finding.AsFaults(err)); got != "person-twice 3:0" {
		t.Error(got)
	}
}

// TestReadTable_OwnSpec shows how another table is read: a day or a date, and a
// number whose unit is part of its name.
func TestReadTable_OwnSpec(t *testing.T) {
	const (
		colTree Col = iota
		colDay
		colDate
		colMgKg
	)
	spec := &Spec{What: "assays", Columns: []Column{
		colTree: {Name: "tree", Need: true}, colDay: {Name: "day"}, colDate: {Name: "date"}, colMgKg: {Name: "mg_kg", Need: true},
	}, OneOf: [][]int{{colDay, colDate}}}
	type assay struct {
		tree string
		day  Day
		mgKg float64
	}
	build := func(r *Row) assay {
		a := assay{tree: r.Tag(colTree)}
		a.day, _ = r.DayOrDate(colDay, colDate)
		a.mgKg, _ = r.Float(colMgKg, 0, 1e6)
		return a
	}
	rows, _, err := ReadTable(strings.NewReader("tree,day,mg/kg\nA,14,1.25\nA,28,0\n"), "a.csv", spec, build)
	if err != nil || len(rows) != 2 || rows[0].day.Number != 14 || !rows[0].day.Numbers || rows[0].mgKg != 1.25 {
		t.Errorf("%+v %v", rows, err)
	}
	rows, _, err = ReadTable(strings.NewReader("tree,date,mg_kg\nA,2026-05-04,1.25\n"), "a.csv", spec, build)
	if err != nil || rows[0].day.Date.String() != "2026-05-04" || rows[0].day.Numbers {
		t.Errorf("%+v %v", rows, err)
	}
	_, _, err = ReadTable(strings.NewReader("tree,mg_kg\nA,1\n"), "a.csv", spec, build)
	if got := places(finding.AsFaults(err)); got != "column-missing 1:0" {
		t.Error(got)
	}
}
