package crew

import (
	"strings"
	"time"

	"sapward/finding"
)

// Authority says who asks for something.
type Authority = finding.Authority

// The authorities. Only label and law can be mandatory; practice and estimate never are.
const (
	Label    = finding.ByLabel
	Law      = finding.ByLaw
	Practice = finding.ByPractice
	Estimate = finding.ByEstimate
)

// Answer is the state of one item.
type Answer string

// The answers. Unanswered is also the empty string.
const (
	Yes        Answer = "yes"
	No         Answer = "no"
	Unanswered Answer = "unanswered"
)

// Item is one line of the morning's gate. Yes always means: nothing stands against going.
type Item struct {
	ID        string    `json:"id"`
	Authority Authority `json:"authority"`
	Mandatory bool      `json:"mandatory"`
	Answer    Answer    `json:"answer"`
	Detail    []string  `json:"detail,omitempty"` // what was compared, or the trees and things that fail
	Reason    string    `json:"reason,omitempty"` // of an override: prints on the record
}

// The items: identifiers of the message catalogue.
const (
	GatePlan         = "gate-plan-allowed"
	GateContainer    = "gate-container-registration"
	GateRegistration = "gate-registration-valid"
	GateLabelOnSite  = "gate-label-on-site"
	GateCertificate  = "gate-certificate-valid"
	GateMonth        = "gate-month"
	GateTemperature  = "gate-temperature"
	GateBloom        = "gate-bloom"
	GateSymptoms     = "gate-tree-symptoms"
	GateGear         = "gate-gear-present"
	GateNotices      = "gate-notices-posted"
	GateAloft        = "gate-climber-and-second"
	GatePowerLines   = "gate-power-lines-clear"
	GateWatcher      = "gate-watcher-present"
	GateServices     = "gate-services-located"
	GateDry          = "gate-no-rain-or-fog"
	GateFoliage      = "gate-foliage-out"
	GateSoil         = "gate-soil-moist"
	GateDeficit      = "gate-air-deficit"
	GateHeat         = "gate-not-too-hot"
	GateBits         = "gate-clean-sharp-bits"
	GateSpill        = "gate-spill-kit"
	GateFirstAid     = "gate-first-aid-known"
	GateTags         = "gate-tags-match"
	GateBriefing     = "gate-crew-briefed"
)

// Facts are what is known this morning. Pointers and empty answers are unknown.
type Facts struct {
	On time.Time // the day of the work, in its zone

	CardRegistration string   // on the card
	ContainerNumbers []string // read off the containers at hand; nil: not yet read
	RegistrationFrom string   // civil dates, year-month-day; empty: the card names none
	RegistrationTo   string
	RestrictedUse    bool   // a certificate is asked for
	CertificateTo    string // civil date; empty: not given
	PlanAllowed      Answer
	LabelOnSite      Answer
	Months           []int    // the card's; nil: any
	TemperatureC     *float64 // now
	CardMinC         *float64
	CardMaxC         *float64
	BloomRule        bool   // the card has one
	BloomAllows      Answer // the site's bloom against it
	SymptomRule      bool   // the card has a limit of crown loss
	TreesChecked     bool   // crowns were looked at today
	TreesOver        []string
	GearAsked        []string // the card's
	GearPresent      []string // nil: not yet laid out
	NoticesLaw       bool     // label or law asks for notices
	NoticesPosted    Answer
	HighPorts        bool
	ClimberAndSecond Answer
	PowerLinesClear  Answer
	WatcherNeeded    bool
	WatcherPresent   Answer
	ServicesLocated  Answer
	NoRainOrFog      Answer
	FoliageOut       Answer
	SoilMoist        Answer
	DeficitKPa       *float64 // vapour-pressure deficit now
	CleanSharpBits   Answer
	SpillKit         Answer
	FirstAidKnown    Answer
	TagsMatch        Answer
	CrewBriefed      Answer
}

// Advisory weather limits (RULES 6.3: avoid above 32 C, published advice; working deficit about 0.5 to 2 kPa, from memory).
const (
	adviceMaxC   = 32.0
	adviceMinKPa = 0.5
	adviceMaxKPa = 2.0
)

// MakeGate lists this morning's items with what the facts answer. Items that do not arise (no bloom rule, no high ports, no
// watcher) are left out. Mandatory items come first.
//
// A date or a number that is missing leaves its item unanswered; it is never assumed. Errors: dates that cannot be
// read, numbers that are not finite, answers that are not known.
func MakeGate(f Facts) ([]Item, error) {
	g := gate{}
	g.label(GatePlan, f.PlanAllowed)
	g.add(GateContainer, Label, containers(f), f.ContainerNumbers)
	if f.RegistrationFrom != "" || f.RegistrationTo != "" {
		a := g.within(f.On, f.RegistrationFrom, f.RegistrationTo)
		g.add(GateRegistration, Law, a, []string{f.RegistrationFrom, f.RegistrationTo})
	}
	g.label(GateLabelOnSite, f.LabelOnSite)
	if f.RestrictedUse {
		a := Unanswered
		if f.CertificateTo != "" {
			a = g.within(f.On, "", f.CertificateTo)
		}
		g.add(GateCertificate, Law, a, []string{f.CertificateTo})
	}
	if f.Months != nil {
		a := Unanswered
		if !f.On.IsZero() {
			a = No
			for _, m := range f.Months {
				if m == int(f.On.Month()) {
					a = Yes
				}
			}
		}
		g.add(GateMonth, Label, a, nil)
	}
	if f.CardMinC != nil || f.CardMaxC != nil {
		g.add(GateTemperature, Label, g.between(f.TemperatureC, f.CardMinC, f.CardMaxC), nil)
	}
	if f.BloomRule {
		g.label(GateBloom, f.BloomAllows)
	}
	if f.SymptomRule {
		a := Unanswered
		switch {
		case len(f.TreesOver) > 0:
			a = No
		case f.TreesChecked:
			a = Yes
		}
		g.add(GateSymptoms, Label, a, f.TreesOver)
	}
	if len(f.GearAsked) > 0 {
		a, missing := gear(f)
		g.add(GateGear, Label, a, missing)
	}
	if f.HighPorts {
		g.add(GateAloft, Law, f.ClimberAndSecond, nil)
	}
	if f.NoticesLaw {
		g.add(GateNotices, Law, f.NoticesPosted, nil)
	} else {
		g.practice(GateNotices, f.NoticesPosted)
	}
	if f.HighPorts {
		g.practice(GatePowerLines, f.PowerLinesClear)
	}
	if f.WatcherNeeded {
		g.practice(GateWatcher, f.WatcherPresent)
	}
	g.practice(GateServices, f.ServicesLocated)
	g.practice(GateDry, f.NoRainOrFog)
	g.practice(GateFoliage, f.FoliageOut)
	g.practice(GateSoil, f.SoilMoist)
	low, high, hot := adviceMinKPa, adviceMaxKPa, adviceMaxC
	g.add(GateDeficit, Estimate, g.between(f.DeficitKPa, &low, &high), nil)
	if f.CardMaxC == nil {
		g.practice(GateHeat, g.between(f.TemperatureC, nil, &hot))
	}
	g.practice(GateBits, f.CleanSharpBits)
	g.practice(GateSpill, f.SpillKit)
	g.practice(GateFirstAid, f.FirstAidKnown)
	g.practice(GateTags, f.TagsMatch)
	g.practice(GateBriefing, f.CrewBriefed)
	if g.err != nil {
		return nil, g.err
	}
	return g.items, nil
}

type gate struct {
	items []Item
	err   error
}

func (g *gate) add(id string, by Authority, a Answer, detail []string) {
	switch a {
	case "":
		a = Unanswered
	case Yes, No, Unanswered:
	default:
		g.err = fault(CodeUnknown, id, "%q", string(a))
	}
	var kept []string
	for _, d := range detail {
		if d != "" {
			kept = append(kept, d)
		}
	}
	g.items = append(g.items, Item{ID: id, Authority: by, Mandatory: by == Label || by == Law, Answer: a, Detail: kept})
}

func (g *gate) label(id string, a Answer)    { g.add(id, Label, a, nil) }
func (g *gate) practice(id string, a Answer) { g.add(id, Practice, a, nil) }

// within compares the civil date of an instant, in its own zone, with two civil dates, both included; an empty one is open.
func (g *gate) within(on time.Time, from, to string) Answer {
	for _, d := range []string{from, to} {
		if _, err := time.Parse(time.DateOnly, d); d != "" && err != nil {
			g.err = fault(CodeUnknown, "date", "%q", d)
			return Unanswered
		}
	}
	if on.IsZero() {
		return Unanswered
	}
	day := on.Format(time.DateOnly)
	if (from != "" && day < from) || (to != "" && day > to) {
		return No
	}
	return Yes
}

func (g *gate) between(v, low, high *float64) Answer {
	for _, x := range []*float64{v, low, high} {
		if x != nil && !(*x > -1e6 && *x < 1e6) {
			g.err = fault(CodeNotFinite, "facts", "%v", *x)
			return Unanswered
		}
	}
	if v == nil {
		return Unanswered
	}
	if (low != nil && *v < *low) || (high != nil && *v > *high) {
		return No
	}
	return Yes
}

// containers answers whether every container carries the card's registration number, letter by letter.
func containers(f Facts) Answer {
	if len(f.ContainerNumbers) == 0 || f.CardRegistration == "" {
		return Unanswered
	}
	for _, n := range f.ContainerNumbers {
		if n != f.CardRegistration {
			return No
		}
	}
	return Yes
}

// gear returns the asked-for gear that is not there.
func gear(f Facts) (Answer, []string) {
	if f.GearPresent == nil {
		return Unanswered, nil
	}
	there := map[string]bool{}
	for _, s := range f.GearPresent {
		there[s] = true
	}
	var missing []string
	for _, s := range f.GearAsked {
		if !there[s] {
			missing = append(missing, s)
		}
	}
	if missing != nil {
		return No, missing
	}
	return Yes, nil
}

// Outcome is what the gate says.
type Outcome string

// The outcomes.
const (
	Go   Outcome = "go"
	NoGo Outcome = "no-go"
	Open Outcome = "open"
)

// Verdict is the outcome with what decides it.
type Verdict struct {
	Outcome    Outcome  `json:"outcome"`
	Against    []string `json:"against"`    // mandatory items answered no: nothing overrides them
	Advised    []string `json:"advised"`    // advisory items answered no without a reason: a reason overrides them
	Open       []string `json:"open"`       // items without an answer, mandatory or not
	Overridden []string `json:"overridden"` // advisory items gone over with a reason
}

// Decide weighs the items. No-go: a mandatory item is answered no, or an advisory one without a reason to go on. Open:
// nothing says no but an item has no answer. Go: all are answered yes or overridden with a reason. A reason on a mandatory
// item changes nothing. A label may also advise, so a label or law item need not be mandatory; practice and estimate
// never are, and an item that claims it is an error, as are an unknown answer and an unknown authority.
func Decide(items []Item) (Verdict, error) {
	v := Verdict{Against: []string{}, Advised: []string{}, Open: []string{}, Overridden: []string{}}
	for _, i := range items {
		binding := i.Authority == Label || i.Authority == Law
		switch {
		case !binding && i.Authority != Practice && i.Authority != Estimate:
			return Verdict{}, fault(CodeUnknown, i.ID, "authority %q", string(i.Authority))
		case i.Mandatory && !binding:
			return Verdict{}, fault(CodeOutOfRange, i.ID, "%s cannot be mandatory", i.Authority)
		}
		switch i.Answer {
		case Yes:
		case Unanswered, "":
			v.Open = append(v.Open, i.ID)
		case No:
			switch {
			case i.Mandatory:
				v.Against = append(v.Against, i.ID)
			case strings.TrimSpace(i.Reason) != "":
				v.Overridden = append(v.Overridden, i.ID)
			default:
				v.Advised = append(v.Advised, i.ID)
			}
		default:
			return Verdict{}, fault(CodeUnknown, i.ID, "%q", string(i.Answer))
		}
	}
	switch {
	case len(v.Against)+len(v.Advised) > 0:
		v.Outcome = NoGo
	case len(v.Open) > 0:
		v.Outcome = Open
	default:
		v.Outcome = Go
	}
	return v, nil
}

// Override returns the items with a reason set on one advisory item. Errors: no such item, no reason, a mandatory item
// (override-not-allowed). The caller's items are not changed.
func Override(items []Item, id, reason string) ([]Item, error) {
	if strings.TrimSpace(reason) == "" {
		return nil, fault(CodeMissing, "reason", "%s", id)
	}
	out := append([]Item(nil), items...)
	for k := range out {
		if out[k].ID != id {
			continue
		}
		if out[k].Mandatory {
			return nil, fault(CodeNotAllowed, id, "%s", out[k].Authority)
		}
		out[k].Reason = reason
		return out, nil
	}
	return nil, fault(CodeUnknown, "id", "%q", id)
}
