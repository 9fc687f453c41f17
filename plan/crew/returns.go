package crew

import "time"

// returns lists what a day leaves to come back for: ports to pull and lines to collect where delivery runs by itself,
// the signs at the end of the restricted-entry interval, and the check of wound closure next season.
func (p *planner) returns(d Day) []Return {
	var out []Return
	at := func(s int64) *time.Time {
		t := d.Start.Add(time.Duration(s) * time.Second)
		return &t
	}
	if !p.hand && !p.stays {
		for _, v := range d.Visits {
			out = append(out, Return{Kind: ReturnPull, Tree: v.Tree, Person: v.Person, At: at(v.PullS)})
			if p.Delivery == Gravity || p.Delivery == Pressurised {
				out = append(out, Return{Kind: ReturnLines, Tree: v.Tree, Person: v.Person, At: at(v.PullS)})
			}
		}
	}
	signs := d.SignsDown
	out = append(out, Return{Kind: ReturnSigns, At: &signs})
	months := p.ClosureMonths
	if months == 0 {
		months = defaultClosureMonths
	}
	on := monthsLater(d.Start, months).Format(time.DateOnly)
	for _, v := range d.Visits {
		out = append(out, Return{Kind: ReturnClosure, Tree: v.Tree, On: on})
	}
	return out
}

// monthsLater adds months and stays in the month aimed at: 31 August plus 6 months is the last day of February.
func monthsLater(t time.Time, months int) time.Time {
	y, m, day := t.Date()
	last := time.Date(y, m+time.Month(months)+1, 0, 12, 0, 0, 0, time.UTC)
	return time.Date(last.Year(), last.Month(), min(day, last.Day()), 12, 0, 0, 0, time.UTC)
}

func (p *planner) cautions(s Schedule) []string {
	out := []string{}
	add := func(when bool, id string) {
		if when {
			out = append(out, id)
		}
	}
	high, unplaced := false, 0
	for i, w := range p.work {
		high = high || w.high > 0
		if p.trees[i].At == nil {
			unplaced++
		}
	}
	add(high, CautionAloft)
	add(p.Delivery != ByHand, CautionUnattended)
	add(p.stays && !p.hand, CautionStay)
	add(p.devices > 0 && p.devices < len(p.People)-p.watchers, CautionDevices)
	add(unplaced > 0, CautionUnplaced)
	add(len(s.Days) > 1, CautionDays)
	add(len(s.Unscheduled) > 0, CautionUnfinished)
	return out
}
