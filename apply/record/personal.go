package record

// PersonalField is a field of a record that is about a person.
type PersonalField struct {
	Item    Item     `json:"item"`
	Path    string   `json:"path"`
	AskedBy []string `json:"asked_by"` // of the regimes given; empty: an export for them does without
}

// Personal lists the personal fields a record holds and which of the regimes
// ask for each. Export a field only when somebody asks.
func Personal(c *Content, regimes []string) []PersonalField {
	ps, _ := Chosen(regimes)
	out := []PersonalField{}
	for _, x := range items {
		if !x.personal || x.state(c) != Recorded {
			continue
		}
		f := PersonalField{Item: x.item, Path: x.path, AskedBy: []string{}}
		for _, p := range ps {
			if asksFor(c, p, x.item) {
				f.AskedBy = append(f.AskedBy, p.ID)
			}
		}
		out = append(out, f)
	}
	return out
}

// asksFor reports whether a profile asks for an item of this record.
func asksFor(c *Content, p Profile, it Item) bool {
	for _, when := range p.AppliesWhen {
		if when == "restricted-use" && conditions[when](c) == no {
			return false
		}
	}
	for _, a := range p.Asks {
		if a.When != "" && conditions[a.When](c) == no {
			continue
		}
		for _, list := range a.Any {
			for _, x := range list {
				if x == it {
					return true
				}
			}
		}
	}
	return false
}

// ForRegimes returns a copy of a record's content without the personal fields
// that none of the regimes ask for: what an export for them may hold.
func ForRegimes(c *Content, regimes []string) (Content, error) {
	out, err := clone(*c)
	if err != nil {
		return Content{}, err
	}
	asked := map[Item]bool{}
	for _, f := range Personal(c, regimes) {
		asked[f.Item] = len(f.AskedBy) > 0
	}
	keep := func(it Item) bool { return asked[it] }
	p := &out.People
	if a, ok := p.Applicator.Known(); ok {
		if !keep("R16") {
			p.Applicator = Fact[Certified]{}
		} else {
			if !keep("R16.number") {
				a.Number = ""
			}
			if !keep("R16.address") {
				a.Address = ""
			}
			p.Applicator.Value = a
		}
	}
	if !keep("R17") {
		p.Appliers = Fact[[]Person]{}
	}
	if !keep("R17.supervisor") {
		p.Supervisor = Fact[string]{}
	}
	if a, ok := p.Customer.Known(); ok {
		if !keep("R18") {
			p.Customer = Fact[Party]{}
		} else if !keep("R18.address") {
			a.Address = ""
			p.Customer.Value = a
		}
	}
	if a, ok := p.Company.Known(); ok {
		if !keep("R19") {
			p.Company = Fact[Company]{}
		} else {
			if !keep("R19.address") {
				a.Address = ""
			}
			if !keep("R19.licence") {
				a.Licence = ""
			}
			p.Company.Value = a
		}
	}
	if !keep("R09.address") {
		out.Place.Address = Fact[string]{}
	}
	if !keep("R09.postcode") {
		out.Place.Postcode = Fact[string]{}
	}
	if !keep("R23.operator") {
		out.Permits.Operator = Fact[string]{}
	}
	return out, nil
}
