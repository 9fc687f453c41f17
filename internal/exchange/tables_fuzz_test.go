package exchange

import (
	"bytes"
	"fmt"
	"testing"
	"time"

	"github.com/xuri/excelize/v2"

	"sapward/finding"
	"sapward/measure/civil"
	"sapward/measure/tree"
)

// FuzzTables holds every reader of a table to what a reading keeps: no panic,
// and an error is faults with identifiers, none of them of the program itself.
// The first byte picks the reader; what follows is the file, CSV or XLSX.
func FuzzTables(f *testing.F) {
	readers := []func(data []byte) error{
		func(d []byte) error { _, _, err := ReadWounds(bytes.NewReader(d), "f"); return err },
		func(d []byte) error { _, _, err := ReadLimbs(bytes.NewReader(d), "f"); return err },
		func(d []byte) error { _, _, err := ReadObstacles(bytes.NewReader(d), "f"); return err },
		func(d []byte) error { _, _, err := ReadHistory(bytes.NewReader(d), "f"); return err },
		func(d []byte) error { _, _, err := ReadCrew(bytes.NewReader(d), "f"); return err },
		func(d []byte) error { _, _, err := ReadPrices(bytes.NewReader(d), "f"); return err },
		func(d []byte) error { _, _, err := ReadResultsFrom(bytes.NewReader(d), "f", "wilt_pct"); return err },
		func(d []byte) error { _, _, err := ReadClimateFrom(bytes.NewReader(d), "f"); return err },
		func(d []byte) error {
			_, err := ReadWeatherFrom(bytes.NewReader(d), "f", WeatherOptions{Zone: time.UTC})
			return err
		},
		func(d []byte) error {
			_, err := EachInventory(bytes.NewReader(d), "f", nil, func([]tree.Tree) error { return nil })
			return err
		},
	}
	zero := civil.Date{Year: 2026, Month: 6, Day: 3}
	for _, kind := range []string{"ratings", "deaths", "assays", "counts"} {
		readers = append(readers, func(d []byte) error { _, err := ReadFollow(kind, "f", d, zero); return err })
	}
	seeds := []string{
		"tree,azimuth_deg,height_cm,year,closed,hole_mm\nA,10,20,2020,no,6\n",
		"tree,limb,azimuth_deg,height_m,diameter_cm\nA,north,10,2.5,12\n",
		"tree,from_deg,to_deg,kind\nA,350,10,wall\n",
		"tree,product,active,active_g,date_end,block,area_ha,method\nA,P,a,1.5,2025-06-01,,2,injection\n",
		"role,drills\nlead,yes\n",
		"item,price,unit\nproduct,10,L\n",
		"tree,wilt_pct,reason\nA,20,\nB,,missed\n",
		"month,tmin_c,tmax_c\n1,2,10\n",
		"time,temp_c,rh_pct,wind_ms\n2026-06-03T00:00:00Z,20,50,2\n",
		"tree;girth_cm\r\nA;98,5\r\n",
		"tree,treatment,date,rating_pct,status,cause\nA,x,2026-07-01,20,,disease\nA,x,2026-08-01,,dead,other: felled\n",
		"tree,treatment,days,died\nA,x,30,1\n",
		"tree,day,mg_kg\nA,1,<0.01\nA,2,nd\n",
		"role,dead,total\ntreated,2,40\nuntreated,12,40\n",
	}
	x := excelize.NewFile()
	for i, row := range [][]any{{"tree", "girth_cm"}, {"A", 98.5}} {
		if err := x.SetSheetRow("Sheet1", fmt.Sprint("A", i+1), &row); err != nil {
			f.Fatal(err)
		}
	}
	defer x.Close()
	book, err := x.WriteToBuffer()
	if err != nil {
		f.Fatal(err)
	}
	for i := range readers {
		f.Add(append([]byte{byte(i)}, seeds[i%len(seeds)]...))
		f.Add(append([]byte{byte(i)}, book.Bytes()...))
	}
	f.Add([]byte("\x00"))
	f.Add([]byte("\x05\xff\xfea\x00"))
	f.Fuzz(func(t *testing.T, data []byte) {
		if len(data) == 0 || len(data) > 1<<18 {
			return
		}
		err := readers[int(data[0])%len(readers)](data[1:])
		if err == nil {
			return
		}
		faults := finding.AsFaults(err)
		if len(faults) == 0 {
			t.Fatalf("an error that says nothing: %v", err)
		}
		for _, x := range faults {
			if x.ID == "" || x.ID == "internal" {
				t.Fatalf("fault %+v", x)
			}
		}
	})
}
