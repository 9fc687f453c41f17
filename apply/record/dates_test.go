package record

import (
	"bytes"
	"encoding/json"
	"math/rand/v2"
	"os/exec"
	"testing"
	"time"
)

var zones Zones = time.LoadLocation

// Worked by hand. Europe/Madrid leaves summer time on 2026-10-25 at 03:00 and
// enters it on 2026-03-29 at 02:00; New York leaves it on 2026-11-01.
func TestDates_ByHand(t *testing.T) {
	for _, x := range []struct {
		name, zone, end, hours string
		days                   int
		reentry, harvest, at   string
	}{
		{"plain", "Europe/Madrid", "2026-06-17T12:40:00+02:00", "12", 120, "2026-06-18T00:40:00+02:00", "2026-10-15", "2026-10-15T12:40:00+02:00"},
		{"clock back: 12 hours are 11 on the clock", "Europe/Madrid", "2026-10-24T20:00:00+02:00", "12", 1, "2026-10-25T07:00:00+01:00", "2026-10-25", "2026-10-25T20:00:00+01:00"},
		{"clock forward: 12 hours are 13 on the clock", "Europe/Madrid", "2026-03-28T20:00:00+01:00", "12", 1, "2026-03-29T09:00:00+02:00", "2026-03-29", "2026-03-29T20:00:00+02:00"},
		{"year end", "America/New_York", "2026-12-31T18:30:00-05:00", "12", 7, "2027-01-01T06:30:00-05:00", "2027-01-07", "2027-01-07T18:30:00-05:00"},
		{"leap day", "Europe/Madrid", "2028-02-28T10:00:00+01:00", "24", 2, "2028-02-29T10:00:00+01:00", "2028-03-01", "2028-03-01T10:00:00+01:00"},
		{"half hours", "Asia/Kolkata", "2026-06-17T23:45:00+05:30", "0.5", 0, "2026-06-18T00:15:00+05:30", "2026-06-17", "2026-06-17T23:45:00+05:30"},
		{"ambiguous hour on the day of harvest: the second", "America/New_York", "2026-10-31T01:30:00-04:00", "4", 1, "2026-10-31T05:30:00-04:00", "2026-11-01", "2026-11-01T01:30:00-05:00"},
		{"skipped hour on the day of harvest: the later", "Europe/Madrid", "2026-03-28T02:30:00+01:00", "4", 1, "2026-03-28T06:30:00+01:00", "2026-03-29", "2026-03-29T03:30:00+02:00"},
	} {
		c := world(t)
		c.Work.Zone = x.zone
		c.Work.End, c.Work.Start, c.Work.Date = Is(at(x.end)), Fact[Instant]{}, Fact[Days]{}
		h, _ := Dec(x.hours)
		c.Products[0].REI, c.Products[0].PHI = Is(REI{Hours: h}), Is(PHI{Days: x.days})
		d := WorkedOut(&c, zones)
		if got := d.Reentry.Format(time.RFC3339); got != x.reentry {
			t.Errorf("%s: entry %s, want %s", x.name, got, x.reentry)
		}
		if got := d.HarvestFrom.String(); got != x.harvest {
			t.Errorf("%s: harvest %s, want %s", x.name, got, x.harvest)
		}
		if got := d.HarvestAt.Format(time.RFC3339); got != x.at {
			t.Errorf("%s: harvest not before %s, want %s", x.name, got, x.at)
		}
	}
}

// Of several products the longest interval governs; one that nobody recorded
// leaves the answer open.
func TestDates_LongestGoverns(t *testing.T) {
	c := world(t)
	long, _ := Dec("48")
	c.Products = append(c.Products, Product{REI: Is(REI{Hours: long, UntilDry: true}), PHI: Is(PHI{Days: 180})})
	d := WorkedOut(&c, zones)
	if d.Reentry.Format(time.RFC3339) != "2026-06-19T12:40:00+02:00" || d.ReentryOpen || !d.UntilDry || d.HarvestFrom != day("2026-12-14") {
		t.Errorf("%+v", d)
	}
	if d.SignsDownBy != day("2026-06-22") || d.DisplayUntil != day("2026-07-19") || d.NextEarliest != day("2027-05-13") {
		t.Errorf("%+v", d)
	}
	c.Products = append(c.Products, Product{})
	if d = WorkedOut(&c, zones); !d.ReentryOpen || !d.HarvestOpen || !d.SignsDownBy.IsZero() {
		t.Errorf("an interval that nobody recorded is taken for none: %+v", d)
	}
	c.Products = []Product{{REI: DoesNotApply[REI]("the card states none"), PHI: Is(PHI{NotFood: true})}}
	if d = WorkedOut(&c, zones); !d.NoREI || !d.Reentry.IsZero() || !d.NotFood || !d.HarvestFrom.IsZero() || d.DisplayUntil != day("2026-07-17") {
		t.Errorf("%+v", d)
	}
	c.Work.End = Fact[Instant]{}
	c.Products[0].REI = Is(REI{Hours: long})
	if d = WorkedOut(&c, zones); !d.ReentryOpen || !d.Reentry.IsZero() {
		t.Errorf("an end that nobody recorded: %+v", d)
	}
}

// Two thousand random cases in eleven zones against Python's zoneinfo, half of
// them within three days of a change of the clock.
func TestDates_AgainstZoneinfo(t *testing.T) {
	python, err := exec.LookPath("python3")
	if err != nil || exec.Command(python, "-c", "import zoneinfo; zoneinfo.ZoneInfo('Europe/Madrid')").Run() != nil {
		t.Skip("no python3 with zoneinfo and its data: the comparison was not made")
	}
	type one struct {
		Zone    string `json:"zone"`
		End     int64  `json:"end"`
		HalfH   int    `json:"half_h"`
		Days    int    `json:"days"`
		Reentry string `json:"reentry,omitempty"`
		Harvest string `json:"harvest,omitempty"`
		At      string `json:"at,omitempty"`
		Signs   string `json:"signs,omitempty"`
	}
	names := []string{"Europe/Madrid", "Europe/London", "America/New_York", "America/Los_Angeles", "America/Chicago", "America/Santiago", "Australia/Lord_Howe", "Asia/Kolkata", "Pacific/Auckland", "UTC", "America/St_Johns"}
	rng := rand.New(rand.NewPCG(8, 2026))
	var cases []one
	for i := range 2000 {
		zone := names[rng.IntN(len(names))]
		end := time.Date(2024, 1, 1, 0, 0, 0, 0, time.UTC).Unix() + rng.Int64N(5*365*24*60)*60
		days := rng.IntN(400)
		if i%2 == 0 { // near a change
			loc, _ := time.LoadLocation(zone)
			if _, change := time.Unix(end, 0).In(loc).ZoneBounds(); !change.IsZero() {
				days = rng.IntN(4)
				end = change.Unix() + (rng.Int64N(6*24*60)-4*24*60)*60
			}
		}
		cases = append(cases, one{Zone: zone, End: end, HalfH: rng.IntN(300), Days: days})
	}
	in, _ := json.Marshal(cases)
	cmd := exec.Command(python, "-c", `
import json, sys
from datetime import datetime, timedelta, timezone
from zoneinfo import ZoneInfo
out = json.load(sys.stdin)
for c in out:
    z = ZoneInfo(c["zone"])
    end = datetime.fromtimestamp(c["end"], timezone.utc)
    free = end + timedelta(minutes=30*c["half_h"])
    c["reentry"] = free.astimezone(z).isoformat()
    local = end.astimezone(z)
    day = local.date() + timedelta(days=c["days"])
    c["harvest"] = day.isoformat()
    wall = datetime.combine(day, local.time(), z)
    both = [wall.replace(fold=f).astimezone(timezone.utc) for f in (0, 1)]
    c["at"] = max(both).astimezone(z).isoformat()
    c["signs"] = (free.astimezone(z).date() + timedelta(days=3)).isoformat()
json.dump(out, sys.stdout)
`)
	cmd.Stdin = bytes.NewReader(in)
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	var want []one
	if err := json.Unmarshal(out, &want); err != nil {
		t.Fatal(err)
	}
	const form = "2006-01-02T15:04:05-07:00"
	for i, w := range want {
		c := Content{Products: []Product{{PHI: Is(PHI{Days: w.Days})}}}
		loc, _ := time.LoadLocation(w.Zone)
		c.Work.Zone, c.Work.End = w.Zone, Is(Instant{time.Unix(w.End, 0).In(loc)})
		h, _ := Dec(itoa(w.HalfH/2) + map[int]string{0: "", 1: ".5"}[w.HalfH%2])
		c.Products[0].REI = Is(REI{Hours: h})
		d := WorkedOut(&c, zones)
		reentry := d.Reentry
		if w.HalfH == 0 {
			reentry = time.Unix(w.End, 0).In(loc)
		}
		if reentry.Format(form) != w.Reentry || d.HarvestFrom.String() != w.Harvest || d.HarvestAt.Format(form) != w.At || d.SignsDownBy.String() != w.Signs {
			t.Errorf("case %d %+v: %s %s %s %s", i, w, reentry.Format(form), d.HarvestFrom, d.HarvestAt.Format(form), d.SignsDownBy)
		}
	}
}

// Deadlines by hand: days count from the day after the work and the last one in
// full; hours run from the instant.
func TestLate(t *testing.T) {
	for _, x := range []struct {
		profile, entered, want string
	}{
		{"us-7cfr110", "2026-07-01T23:59:00+02:00", ""},
		{"us-7cfr110", "2026-07-02T00:00:00+02:00", "record-late"},
		{"us-mn", "2026-06-22T21:59:59Z", ""}, // 23:59:59 in Madrid
		{"us-mn", "2026-06-22T22:00:00Z", "record-late"},
		{"us-ca-operator", "2026-07-10T12:00:00+02:00", ""},
		{"us-ca-operator", "2026-07-11T00:00:00+02:00", "record-late"},
		{"us-ca-business", "2026-06-25T00:00:00+02:00", "record-late"},
		{"us-ny", "2027-02-01T12:00:00+01:00", ""},
		{"us-ny", "2027-02-02T00:00:00+01:00", "record-late"},
		{"eu-2023-564", "2026-07-17T12:00:00+02:00", ""},
		{"eu-2023-564", "2026-07-18T12:00:00+02:00", "record-late"},
		{"us-tx", "2029-01-01T12:00:00+01:00", ""},
	} {
		c := world(t, x.profile)
		r, err := New("id", "0", "adviser", at(x.entered).T, c, zones, canon)
		if err != nil {
			t.Fatal(err)
		}
		got := ""
		for _, f := range Late(r, zones, at(x.entered).T) {
			got = f.ID
		}
		if got != x.want {
			t.Errorf("%s entered %s: %q, want %q", x.profile, x.entered, got, x.want)
		}
	}
	// Entered in time and completed late, or never.
	c := without(t, world(t, "us-mn"), "weather", "temperature")
	r, err := New("id", "0", "adviser", at("2026-06-18T08:00:00+02:00").T, c, zones, canon)
	if err != nil {
		t.Fatal(err)
	}
	if got := Late(r, zones, at("2026-06-22T08:00:00+02:00").T); len(got) != 0 {
		t.Error(got)
	}
	if got := Late(r, zones, at("2026-06-23T08:00:00+02:00").T); len(got) != 1 || got[0].ID != "record-still-incomplete" {
		t.Error(got)
	}
	if r, err = r.Amend("adviser", "thermometer read", at("2026-06-24T08:00:00+02:00").T, world(t, "us-mn"), zones, canon); err != nil {
		t.Fatal(err)
	}
	if got := Late(r, zones, at("2026-06-25T08:00:00+02:00").T); len(got) != 1 || got[0].ID != "record-completed-late" {
		t.Error(got)
	}
}

// Retention by the longest: MN five years from the work, EU three, WPS two from
// the end of display, 30 days after re-entry.
func TestKept(t *testing.T) {
	for _, x := range []struct {
		regimes []string
		want    string
		by      string
	}{
		{[]string{"us-tx"}, "2028-06-18", "us-tx"},
		{[]string{"us-wps"}, "2028-07-19", "us-wps"}, // re-entry 2026-06-18, display to 2026-07-18, two years
		{[]string{"us-tx", "us-wps"}, "2028-07-19", "us-wps"},
		{[]string{"eu-2023-564", "us-mn", "us-wps"}, "2031-06-18", "us-mn"},
		{[]string{"us-fl"}, "", ""},
		{nil, "", ""},
	} {
		c := world(t, x.regimes...)
		got := Kept(&c, zones)
		if got.Delete.String() != x.want || got.Profile != x.by {
			t.Errorf("%v: %+v", x.regimes, got)
		}
	}
	c := world(t, "us-wps", "us-tx")
	c.Work.End = Fact[Instant]{}
	if got := Kept(&c, zones); !got.Open || !got.Delete.IsZero() {
		t.Errorf("a date is named though the end is not recorded: %+v", got)
	}
}
