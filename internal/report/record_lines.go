package report

import (
	"strconv"
	"strings"
	"time"

	"sapward/apply/record"
	"sapward/finding"
	"sapward/internal/lang"
)

// RecordLine is one element of a record in words.
type RecordLine struct {
	Element string // R01 to R28
	Label   string
	Value   string
	State   record.State
}

// RecordLines says a record's content element by element, in the units in
// which it was written down. What nobody wrote down says so.
func RecordLines(say *lang.Printer, v *record.Version, first *record.Version) []RecordLine {
	l := &liner{say: say, c: &v.Content}
	l.products()
	l.when()
	l.where()
	l.counts()
	l.people()
	l.weather()
	l.rest(v, first)
	return l.out
}

type liner struct {
	say *lang.Printer
	c   *record.Content
	out []RecordLine
}

func (l *liner) add(element, value string, state record.State) {
	if state == record.NotRecorded && value == "" {
		value = l.say.T("record-not-recorded")
	}
	l.out = append(l.out, RecordLine{element, l.say.T("record-el-" + strings.ToLower(element)), value, state})
}

// said writes a fact: value, reason, or that it is not recorded.
func said[T any](l *liner, f record.Fact[T], show func(T) string) string {
	switch f.State {
	case record.Recorded:
		return show(f.Value)
	case record.None:
		reason := f.Reason
		if code, ok := record.ReasonCode(reason); ok {
			reason = l.say.T("record-" + code)
		}
		return l.say.Say("record-does-not-apply", finding.Args{"reason": finding.Text(reason)})
	}
	return l.say.T("record-not-recorded")
}

func plain(s string) string { return s }

func stringer[T interface{ String() string }](x T) string { return x.String() }

// each joins what every product says of an element.
func (l *liner) each(element string, get func(p *record.Product) (string, record.State)) {
	var parts []string
	state := record.State(record.None)
	for i := range l.c.Products {
		s, st := get(&l.c.Products[i])
		if len(l.c.Products) > 1 {
			s = strconv.Itoa(i+1) + ") " + s
		}
		parts = append(parts, s)
		if st == record.NotRecorded || st == record.Recorded && state == record.None {
			state = st
		}
	}
	if len(parts) == 0 {
		state = record.NotRecorded
	}
	l.add(element, strings.Join(parts, "; "), state)
}

func (l *liner) products() {
	say := l.say
	l.each("R01", func(p *record.Product) (string, record.State) { return said(l, p.Name, plain), p.Name.State })
	l.each("R02", func(p *record.Product) (string, record.State) {
		s := said(l, p.Registration, plain)
		if x, ok := p.Supplement.Known(); ok {
			s += ", " + x
		}
		if len(p.Territory) > 0 {
			s += " (" + strings.Join(p.Territory, ", ") + ")"
		}
		return s, p.Registration.State
	})
	l.each("R03", func(p *record.Product) (string, record.State) {
		return said(l, p.Actives, func(as []record.Active) string {
			var out []string
			for _, a := range as {
				out = append(out, strings.TrimSpace(a.Name+" "+a.Content))
			}
			return strings.Join(out, ", ")
		}), p.Actives.State
	})
	l.each("R04", func(p *record.Product) (string, record.State) {
		s := said(l, p.Total, stringer[record.Volume])
		if m, ok := p.Leaked.Known(); ok && !m.Value.IsZero() {
			s += " " + say.Say("record-of-which-leaked", finding.Args{"amount": finding.Text(m.String())})
		}
		return s, p.Total.State
	})
	l.each("R05", func(p *record.Product) (string, record.State) {
		return said(l, p.Rate, func(r record.Rate) string {
			if r.Basis == "" {
				return r.Amount
			}
			basis := r.Basis
			if id := "record-basis-" + strings.ReplaceAll(basis, " ", "-"); say.Has(id) {
				basis = say.T(id)
			}
			return say.Say("record-rate", finding.Args{"amount": finding.Text(r.Amount), "basis": finding.Text(basis)})
		}), p.Rate.State
	})
	l.each("R06", func(p *record.Product) (string, record.State) {
		return said(l, p.Mix, stringer[record.Volume]), p.Mix.State
	})
}

func (l *liner) when() {
	w := &l.c.Work
	l.add("R07", said(l, w.Date, func(d record.Days) string { return strings.Replace(d.String(), "/", " – ", 1) }), w.Date.State)
	clock := func(i record.Instant) string { return i.T.Format("2006-01-02 15:04 -07:00") }
	l.add("R08", l.say.Say("record-from-to", finding.Args{"start": finding.Text(said(l, w.Start, clock)), "end": finding.Text(said(l, w.End, clock)), "zone": finding.Text(w.Zone)}), max(w.Start.State, w.End.State))
}

// part is a named piece of an element.
type part struct {
	id string
	f  record.Fact[string]
}

// parts writes the recorded pieces with their names.
func (l *liner) parts(element string, ps ...part) {
	var out []string
	state := record.NotRecorded
	for _, p := range ps {
		if p.f.State == record.NotRecorded || p.f.State == record.Recorded && p.f.Value == "" {
			continue
		}
		state = max(state, p.f.State)
		if p.f.State == record.Recorded {
			state = record.Recorded
		}
		out = append(out, l.say.T("record-item-"+p.id)+": "+said(l, p.f, plain))
	}
	l.add(element, strings.Join(out, "; "), state)
}

func (l *liner) where() {
	p := &l.c.Place
	point := record.Fact[string]{}
	if la, ok := p.Lat.Known(); ok {
		point = record.Is(la.String() + ", " + p.Lon.Value.String())
	}
	l.parts("R09", part{"r09-field", p.Field}, part{"r09-description", p.Description}, part{"r09-county", p.County}, part{"r09-section", p.Section}, part{"r09-map", p.Map},
		part{"r09-agency", p.AgencyID}, part{"r09-legal", p.Legal}, part{"r09-parcel", p.Parcel}, part{"r09-address", p.Address}, part{"r09-postcode", p.Postcode}, part{"r09-point", point}, part{"r09-spot", l.c.Work.Spot})
}

func (l *liner) counts() {
	c := l.c
	l.add("R10", said(l, c.Area, stringer), c.Area.State)
	n := func(f record.Fact[int]) string { return said(l, f, strconv.Itoa) }
	l.add("R11", l.say.Say("record-trees", finding.Args{"treated": finding.Text(n(c.TreesTreated)), "planted": finding.Text(n(c.TreesPlanted))}), max(c.TreesTreated.State, c.TreesPlanted.State))
	coded := func(k record.Coded) (string, record.State) {
		s := said(l, k.Name, plain)
		if k.Code.State != record.NotRecorded {
			s += " (EPPO " + said(l, k.Code, plain) + ")"
		}
		return s, k.Name.State
	}
	s, st := coded(c.Site)
	l.add("R12", s, st)
	l.add("R13", said(l, c.Stage, func(x string) string { return "BBCH " + x }), c.Stage.State)
	s, st = coded(c.Target)
	l.add("R14", s, st)
	method := said(l, c.Work.Method, func(m string) string { return l.say.T("method-" + m) })
	if e, ok := c.Work.Equipment.Known(); ok {
		method += ", " + e
	}
	l.add("R15", method, max(c.Work.Method.State, c.Work.Equipment.State))
}

func (l *liner) people() {
	p := &l.c.People
	l.add("R16", said(l, p.Applicator, func(a record.Certified) string {
		s := join(", ", a.Name, a.Number, a.Address)
		if !a.Expires.IsZero() {
			s += ", " + l.say.Say("record-valid-until", finding.Args{"date": finding.Text(a.Expires.String())})
		}
		return s
	}), p.Applicator.State)
	s := said(l, p.Appliers, func(ps []record.Person) string {
		var out []string
		for _, x := range ps {
			out = append(out, x.Name)
		}
		return strings.Join(out, ", ")
	})
	if p.Supervisor.State != record.NotRecorded {
		s += "; " + l.say.T("record-item-r17-supervisor") + ": " + said(l, p.Supervisor, plain)
	}
	l.add("R17", s, p.Appliers.State)
	l.add("R18", said(l, p.Customer, func(x record.Party) string { return join(", ", x.Name, x.Address) }), p.Customer.State)
	l.add("R19", said(l, p.Company, func(x record.Company) string { return join(", ", x.Name, x.Address, x.Licence) }), p.Company.State)
}

func (l *liner) weather() {
	w := &l.c.Weather
	l.add("R20", l.say.Say("record-weather", finding.Args{"temperature": finding.Text(strings.Replace(said(l, w.Temperature, stringer), " Cel", " °C", 1)), "speed": finding.Text(said(l, w.WindSpeed, stringer[record.WindSpeed])),
		"direction": finding.Text(said(l, w.WindDirection, func(d record.Direction) string { return l.direction(d) }))}), max(w.Temperature.State, w.WindSpeed.State, w.WindDirection.State))
}

// direction says calm and variable in words; points of the compass stay.
func (l *liner) direction(d record.Direction) string {
	switch d {
	case "calm", "variable":
		return l.say.T("record-wind-" + string(d))
	}
	if d != "" && d[0] >= '0' && d[0] <= '9' {
		return string(d) + "°"
	}
	return string(d)
}

func (l *liner) rest(v, first *record.Version) {
	say, c := l.say, l.c
	l.each("R21", func(p *record.Product) (string, record.State) {
		return said(l, p.REI, func(r record.REI) string {
			var out []string
			if !r.Hours.IsZero() {
				out = append(out, r.Hours.String()+" h")
			}
			if r.UntilDry {
				out = append(out, say.T("record-until-dry"))
			}
			return strings.Join(out, ", ")
		}), p.REI.State
	})
	l.each("R22", func(p *record.Product) (string, record.State) {
		return said(l, p.PHI, func(h record.PHI) string {
			if h.NotFood {
				return say.T("record-not-food")
			}
			return strconv.Itoa(h.Days) + " d"
		}), p.PHI.State
	})
	l.parts("R23", part{"r23-operator", c.Permits.Operator}, part{"r23-site", c.Permits.Site}, part{"r23-permit", c.Permits.Permit})
	l.add("R24", said(l, c.Work.TypeOfUse, func(t string) string { return say.T("record-use-" + t) }), c.Work.TypeOfUse.State)
	l.add("R25", say.Say("record-entered", finding.Args{"at": finding.Text(stamp(inZone(first.At.T, c))), "by": finding.Text(orDash(first.By)), "version": finding.Count(v.Number), "then": finding.Text(stamp(inZone(v.At.T, c)))}), record.Recorded)
	l.each("R26", func(p *record.Product) (string, record.State) { return said(l, p.SDS, plain), p.SDS.State })
	l.add("R27", said(l, c.Training, plain), c.Training.State)
	loads := map[string]int{}
	for _, t := range c.Trees {
		if t.Load != "" {
			loads[t.Load]++
		}
	}
	if len(loads) > 0 {
		l.add("R28", say.Say("record-loads", finding.Args{"count": finding.Count(len(loads))}), record.Recorded)
	} else {
		l.add("R28", "", record.NotRecorded)
	}
}

// inZone shows an instant in the zone of the work.
func inZone(t time.Time, c *record.Content) time.Time {
	if c.Work.Zone == "" || c.Work.Zone == "Local" {
		return t
	}
	if loc, err := time.LoadLocation(c.Work.Zone); err == nil {
		return t.In(loc)
	}
	return t
}

func stamp(t time.Time) string { return t.Format("2006-01-02 15:04 -07:00") }

func orDash(s string) string {
	if s == "" {
		return "–"
	}
	return s
}

// RecordDates says what follows from the end of the work: entry, harvest,
// signs, next treatment, deadlines of the chosen profiles, how long to keep.
func RecordDates(say *lang.Printer, d record.Dates, dues []record.Due, keep record.Retention) []RecordLine {
	var out []RecordLine
	add := func(id, value string) { out = append(out, RecordLine{Label: say.T(id), Value: value}) }
	open := say.T("record-cannot-say")
	switch {
	case d.ReentryOpen:
		add("record-reentry", open)
	case d.NoREI:
		add("record-reentry", say.T("record-no-rei"))
	case d.Reentry.IsZero():
		add("record-reentry", say.T("record-until-dry"))
	default:
		s := stamp(d.Reentry) + " " + d.Local
		if d.UntilDry {
			s += ", " + say.T("record-and-dry")
		}
		add("record-reentry", s)
	}
	switch {
	case d.HarvestOpen:
		add("record-harvest", open)
	case !d.HarvestFrom.IsZero() && !d.HarvestAt.IsZero():
		add("record-harvest", say.Say("record-harvest-from", finding.Args{"date": finding.Text(d.HarvestFrom.String()), "clock": finding.Text(d.HarvestAt.Format("15:04"))}))
	case !d.HarvestFrom.IsZero():
		add("record-harvest", d.HarvestFrom.String())
	}
	if d.NotFood {
		add("record-harvest", say.T("record-not-food"))
	}
	if !d.SignsDownBy.IsZero() && !d.NoREI {
		add("record-signs", d.SignsDownBy.String())
	}
	if !d.NextEarliest.IsZero() {
		add("record-next", d.NextEarliest.String())
	}
	var times []string
	for _, x := range dues {
		day := x.String()
		switch {
		case x.Open:
			day = open
		case x.AtOnce:
			day = say.T("record-at-once")
		case day == "":
			day = say.T("record-no-day")
		}
		times = append(times, say.Say("record-due-line", finding.Args{"what": finding.Text(say.T("record-due-" + x.What)), "due": finding.Text(day), "profile": finding.Text(x.Profile)}))
	}
	if len(times) > 0 {
		add("record-dues", strings.Join(times, "; "))
	}
	switch {
	case keep.Open:
		add("record-keep", open)
	case !keep.Until.IsZero():
		id := "record-keep-until"
		if !keep.Mark.Confirmed() {
			id = "record-keep-until-unconfirmed"
		}
		add("record-keep", say.Say(id, finding.Args{"date": finding.Text(keep.Until.String()), "profile": finding.Text(keep.Profile), "delete": finding.Text(keep.Delete.String())}))
	default:
		add("record-keep", say.T("record-keep-no-rule"))
	}
	return out
}
