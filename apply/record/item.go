package record

import "slices"

// Item is one thing a regime can ask for: an element R01 to R28 or a part of
// one, such as R08.start.
type Item string

// itemInfo says where an item is filled, whether a reason why it does not apply
// answers it, and whether it is a person's data.
type itemInfo struct {
	item     Item
	path     string // in the document the record is filled from
	noneFits bool
	personal bool
	state    func(c *Content) State
}

// state of an element that every product must have.
func eachProduct(f func(p *Product) State) func(c *Content) State {
	return func(c *Content) State {
		if len(c.Products) == 0 {
			return NotRecorded
		}
		out := None
		for i := range c.Products {
			switch f(&c.Products[i]) {
			case NotRecorded:
				return NotRecorded
			case Recorded:
				out = Recorded
			}
		}
		return out
	}
}

// filled is the state of a text: an empty one is not recorded.
func filled(f Fact[string]) State {
	if f.State == Recorded && f.Value == "" {
		return NotRecorded
	}
	return f.State
}

// part is the state of a text inside a recorded fact.
func part[T any](f Fact[T], get func(T) string) State {
	if f.State == Recorded && get(f.Value) == "" {
		return NotRecorded
	}
	return f.State
}

func present(yes bool) State {
	if yes {
		return Recorded
	}
	return NotRecorded
}

var items = []itemInfo{
	{"R01", "products[].name", false, false, eachProduct(func(p *Product) State { return filled(p.Name) })},
	{"R02", "products[].registration", false, false, eachProduct(func(p *Product) State { return filled(p.Registration) })},
	{"R03", "products[].actives", false, false, eachProduct(func(p *Product) State {
		if p.Actives.State == Recorded && len(p.Actives.Value) == 0 {
			return NotRecorded
		}
		return p.Actives.State
	})},
	{"R04", "products[].total", false, false, eachProduct(func(p *Product) State { return p.Total.State })},
	{"R05", "products[].rate", false, false, eachProduct(func(p *Product) State { return part(p.Rate, func(r Rate) string { return r.Amount }) })},
	{"R06", "products[].mix", true, false, eachProduct(func(p *Product) State { return p.Mix.State })},
	{"R07", "work.date", false, false, func(c *Content) State { return c.Work.Date.State }},
	{"R08.start", "work.start", false, false, func(c *Content) State { return c.Work.Start.State }},
	{"R08.end", "work.end", false, false, func(c *Content) State { return c.Work.End.State }},
	{"R09.description", "place.description", false, false, func(c *Content) State { return filled(c.Place.Description) }},
	{"R09.county", "place.county", false, false, func(c *Content) State { return filled(c.Place.County) }},
	{"R09.section", "place.section", false, false, func(c *Content) State { return filled(c.Place.Section) }},
	{"R09.map", "place.map", false, false, func(c *Content) State { return filled(c.Place.Map) }},
	{"R09.agency", "place.agency_id", false, false, func(c *Content) State { return filled(c.Place.AgencyID) }},
	{"R09.legal", "place.legal", false, false, func(c *Content) State { return filled(c.Place.Legal) }},
	{"R09.parcel", "place.parcel", false, false, func(c *Content) State { return filled(c.Place.Parcel) }},
	{"R09.address", "place.address", false, true, func(c *Content) State { return filled(c.Place.Address) }},
	{"R09.postcode", "place.postcode", false, true, func(c *Content) State { return filled(c.Place.Postcode) }},
	{"R09.field", "place.field", false, false, func(c *Content) State { return filled(c.Place.Field) }},
	{"R09.point", "place.lat", false, false, func(c *Content) State { return min(c.Place.Lat.State, c.Place.Lon.State) }},
	{"R09.spot", "work.spot", false, false, func(c *Content) State { return filled(c.Work.Spot) }},
	{"R10", "area", false, false, func(c *Content) State { return c.Area.State }},
	{"R11.treated", "trees_treated", false, false, func(c *Content) State { return c.TreesTreated.State }},
	{"R11.planted", "trees_planted", false, false, func(c *Content) State { return c.TreesPlanted.State }},
	{"R12", "site.name", false, false, func(c *Content) State { return filled(c.Site.Name) }},
	{"R12.code", "site.code", false, false, func(c *Content) State { return filled(c.Site.Code) }},
	{"R13", "stage", true, false, func(c *Content) State { return filled(c.Stage) }},
	{"R14", "target.name", false, false, func(c *Content) State { return filled(c.Target.Name) }},
	{"R15", "work.method", false, false, func(c *Content) State { return max(filled(c.Work.Method), filled(c.Work.Equipment)) }},
	{"R16", "people.applicator.name", false, true, func(c *Content) State { return part(c.People.Applicator, func(a Certified) string { return a.Name }) }},
	{"R16.number", "people.applicator.number", false, true, func(c *Content) State { return part(c.People.Applicator, func(a Certified) string { return a.Number }) }},
	{"R16.address", "people.applicator.address", false, true, func(c *Content) State {
		return part(c.People.Applicator, func(a Certified) string { return a.Address })
	}},
	{"R17", "people.appliers", true, true, func(c *Content) State {
		if c.People.Appliers.State == Recorded && len(c.People.Appliers.Value) == 0 {
			return NotRecorded
		}
		return c.People.Appliers.State
	}},
	{"R17.supervisor", "people.supervisor", true, true, func(c *Content) State { return filled(c.People.Supervisor) }},
	{"R18", "people.customer.name", false, true, func(c *Content) State { return part(c.People.Customer, func(p Party) string { return p.Name }) }},
	{"R18.address", "people.customer.address", false, true, func(c *Content) State { return part(c.People.Customer, func(p Party) string { return p.Address }) }},
	{"R19", "people.company.name", true, true, func(c *Content) State { return part(c.People.Company, func(p Company) string { return p.Name }) }},
	{"R19.address", "people.company.address", true, true, func(c *Content) State { return part(c.People.Company, func(p Company) string { return p.Address }) }},
	{"R19.licence", "people.company.licence", true, true, func(c *Content) State { return part(c.People.Company, func(p Company) string { return p.Licence }) }},
	{"R20.temperature", "weather.temperature", false, false, func(c *Content) State { return c.Weather.Temperature.State }},
	{"R20.wind_speed", "weather.wind_speed", false, false, func(c *Content) State { return c.Weather.WindSpeed.State }},
	{"R20.wind_direction", "weather.wind_direction", false, false, func(c *Content) State { return c.Weather.WindDirection.State }},
	{"R21", "products[].rei", true, false, eachProduct(func(p *Product) State { return p.REI.State })},
	{"R22", "products[].phi", true, false, eachProduct(func(p *Product) State { return p.PHI.State })},
	{"R23.operator", "permits.operator_id", true, true, func(c *Content) State { return filled(c.Permits.Operator) }},
	{"R23.site", "permits.site_id", true, false, func(c *Content) State { return filled(c.Permits.Site) }},
	{"R23.permit", "permits.permit", true, false, func(c *Content) State { return filled(c.Permits.Permit) }},
	{"R24", "work.type_of_use", false, false, func(c *Content) State { return filled(c.Work.TypeOfUse) }},
	{"R26", "products[].sds", false, false, eachProduct(func(p *Product) State { return filled(p.SDS) })},
	{"R27", "training", true, false, func(c *Content) State { return filled(c.Training) }},
	{"R28", "trees[].sequence", true, false, func(c *Content) State {
		for _, t := range c.Trees {
			if t.Load == "" || t.Sequence < 1 {
				return NotRecorded
			}
		}
		return present(len(c.Trees) > 0)
	}},
}

// Items lists everything a regime can ask for, in the order of the elements.
func Items() []Item {
	out := make([]Item, len(items))
	for i, x := range items {
		out[i] = x.item
	}
	return out
}

func infoOf(it Item) *itemInfo {
	i := slices.IndexFunc(items, func(x itemInfo) bool { return x.item == it })
	if i < 0 {
		return nil
	}
	return &items[i]
}

// Path is where an item is filled: the name in the document a record is made
// from, such as weather.wind_speed. Empty for an unknown item.
func (it Item) Path() string {
	if i := infoOf(it); i != nil {
		return i.path
	}
	return ""
}

// Element is the element R01 to R28 an item belongs to.
func (it Item) Element() string {
	if len(it) < 3 {
		return string(it)
	}
	return string(it[:3])
}

// Of returns the state of an item in a record's content.
func (it Item) Of(c *Content) State {
	if i := infoOf(it); i != nil {
		return i.state(c)
	}
	return NotRecorded
}

// answered reports that an item is recorded, or declared not to apply where
// that is an answer.
func (it Item) answered(c *Content) bool {
	i := infoOf(it)
	if i == nil {
		return false
	}
	switch i.state(c) {
	case Recorded:
		return true
	case None:
		return i.noneFits
	}
	return false
}
