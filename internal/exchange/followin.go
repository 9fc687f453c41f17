package exchange

import (
	"bytes"
	"io"

	"sapward/finding"
	"sapward/follow/decline"
	"sapward/follow/health"
	"sapward/measure/civil"
)

// input is a file by its path or, where r is given, a stream with a name.
type input struct {
	name string
	r    io.Reader
}

func (in input) open() (*source, error) {
	if in.r == nil {
		return openPath(in.name)
	}
	return openStream(in.r, in.name)
}

// FollowRows are the rows of one of the follow-up tables, read from bytes.
type FollowRows struct {
	Ratings []health.Rating
	Wounds  []health.Closure // of the same table
	Deaths  []health.Death
	Counts  []health.Count
	Assays  []decline.Assay
	Dated   bool       // days were counted from dates
	DayZero civil.Date // they were counted from, in a file with dates
	OwnZero bool       // each row had its own day 0
	Notes   []finding.Finding
	Locate  func(error) error // gives faults of the core their place in the file
}

// ReadFollow reads a table of follow-up: kind is ratings, deaths, counts or
// assays. Dates are counted from zero, where it is given.
func ReadFollow(kind, name string, data []byte, zero civil.Date) (FollowRows, error) {
	out, err := readFollow(kind, name, data, zero)
	for _, f := range finding.AsFaults(err) {
		if f.ID == "day-zero-without-dates" || f.ID == "day-zero-twice" { // numbers, or each row's own day 0
			return readFollow(kind, name, data, civil.Date{})
		}
	}
	return out, err
}

func readFollow(kind, name string, data []byte, zero civil.Date) (out FollowRows, err error) {
	in := input{name, bytes.NewReader(data)}
	switch kind {
	case "ratings":
		var f *Followed[health.Rating]
		var wounds []health.Closure
		if f, wounds, err = woundedRatings(in, zero); err == nil {
			out = FollowRows{Ratings: f.Rows, Wounds: wounds, Dated: f.Dated, DayZero: f.DayZero, Notes: f.Notes, Locate: f.Locate}
		}
	case "deaths":
		var f *Followed[health.Death]
		if f, err = deaths(in, zero, ""); err == nil {
			out = FollowRows{Deaths: f.Rows, Dated: f.Dated, DayZero: f.DayZero, OwnZero: f.ZeroFrom == "row", Notes: f.Notes, Locate: f.Locate}
		}
	case "counts":
		var f *Followed[health.Count]
		if f, err = counts(in); err == nil {
			out = FollowRows{Counts: f.Rows, Notes: f.Notes, Locate: f.Locate}
		}
	case "assays":
		var f *Followed[decline.Assay]
		if f, err = assays(in, zero); err == nil {
			out = FollowRows{Assays: f.Rows, Dated: f.Dated, DayZero: f.DayZero, Notes: f.Notes, Locate: f.Locate}
		}
	default:
		err = finding.Faults{{Class: finding.Usage, ID: "import-kind", Args: finding.Args{"text": finding.Text(show(kind))}}}
	}
	return out, err
}
