package report

import (
	"strconv"

	"sapward/finding"
	"sapward/internal/draw"
	"sapward/internal/lang"
)

// Wounds is the picture of the share of closed holes by treatment, with its
// intervals. ok is false where there are not two looks to join.
func (f FollowUp) Wounds(frame draw.Frame) (scene draw.Scene, ok bool, err error) {
	r := f.Result.Closure
	if r == nil {
		return scene, false, nil
	}
	c := f.chart(frame, "closure-head", "followwound-share", "followweb-band")
	c.YLabel, c.YLow, c.YHigh = f.Say.T("followwound-axis"), 0, 100
	n := 0
	for _, t := range r.Treatments {
		if len(t.Days) < 2 || len(c.Series) == mostCurves {
			continue
		}
		s := draw.Series{Name: t.Treatment}
		bands := true
		for _, d := range t.Days {
			s.X, s.P50 = append(s.X, d.Day), append(s.P50, d.SharePct)
			if bands = bands && d.Low != nil && d.High != nil; bands {
				s.P10, s.P90 = append(s.P10, *d.Low), append(s.P90, *d.High)
			}
		}
		if !bands {
			s.P10, s.P90 = nil, nil
		}
		c.Series = append(c.Series, s)
		n += t.Ports
	}
	if len(c.Series) == 0 {
		return scene, false, nil
	}
	c.Desc = f.Say.Say("followwound-desc", finding.Args{"n": finding.Count(n)})
	scene, err = draw.DrawBandChart(c)
	return scene, true, err
}

// WoundLines say how far the holes of each treatment have closed.
func (f FollowUp) WoundLines() (out, notes []string) {
	r := f.Result.Closure
	if r == nil {
		return nil, nil
	}
	for _, t := range r.Treatments {
		last := t.Days[len(t.Days)-1]
		a := finding.Args{"treatment": finding.Text(t.Treatment), "closed": finding.Count(last.Closed), "ports": finding.Count(last.Ports), "trees": finding.Count(last.Trees), "day": finding.Text(lang.Figure(last.Day, 0)),
			"confidence": finding.Number(100*r.Confidence, "pct")}
		id := "closure-mean-one-tree"
		if last.Low != nil {
			id = "closure-mean"
			a["interval"] = finding.Text(f.Say.Say("follow-between", finding.Args{"low": finding.Text(lang.Fixed(*last.Low, 0)), "high": finding.Text(lang.Fixed(*last.High, 0))}))
		}
		out = append(out, f.Say.Say(id, a))
		if t.MedianD != nil {
			a["median"] = finding.Text(strconv.FormatFloat(*t.MedianD, 'f', -1, 64))
			out = append(out, f.Say.Say("closure-mean-median", a))
		}
	}
	return out, f.notes(r.Notes)
}
