package web

import (
	"strconv"
	"strings"

	"sapward/finding"
	"sapward/internal/app"
)

// groupsPage tells where the treatments of a block's follow-up come from.
type groupsPage struct {
	app.GroupChoices
	Here    string
	Now     []groupLine
	By      []groupLine
	Trial   []option
	Typed   []typedLine
	Faults  []string
	Version int
}

type groupLine struct {
	Treatment, Trees string
	N                int
}

type typedLine struct {
	N                int
	Treatment, Trees string
}

// typedGroups is how many treatments the form takes.
const typedGroups = 6

// groupWords are the words for what the program names.
func (c *call) groupWords() app.GroupWords {
	return app.GroupWords{Untreated: c.T("trialweb-untreated"), Method: map[string]string{"injection": strings.ToLower(c.T("method-injection")), "infusion": strings.ToLower(c.T("method-infusion"))}}
}

func groupLines(groups []app.TreatmentGroup) (out []groupLine) {
	for _, g := range groups {
		first := g.Trees
		more := ""
		if len(first) > 8 {
			first, more = first[:8], " +"+strconv.Itoa(len(g.Trees)-8)
		}
		out = append(out, groupLine{g.Treatment, strings.Join(first, " ") + more, len(g.Trees)})
	}
	return out
}

// followGroups shows the ways and takes one.
func (s *Server) followGroups(c *call) error {
	ctx := c.r.Context()
	g, err := s.app.FollowGroups(ctx, c.actor, c.id(), c.groupWords())
	if err != nil {
		return err
	}
	here := "/blocks/" + g.Block.ID + "/follow"
	p := &groupsPage{GroupChoices: g, Here: here, Now: groupLines(g.Follow.Facts.Groups), By: groupLines(g.Applied), Version: g.Follow.Version}
	for _, t := range g.Trials {
		p.Trial = append(p.Trial, option{t.ID, t.Facts.Name})
	}
	order := app.GroupOrder{From: c.field("from"), Trial: c.field("trial"), Words: c.groupWords()}
	for i := range typedGroups {
		n := strconv.Itoa(i)
		t := typedLine{i, c.field("treatment-" + n), c.field("trees-" + n)}
		p.Typed = append(p.Typed, t)
		order.Typed = append(order.Typed, app.TypedGroup{Treatment: t.Treatment, Trees: t.Trees})
	}
	trail := append(c.blockTrail(g.Estate, g.Block), crumb{c.T("followweb-title"), here})
	if c.r.Method == "GET" {
		return c.show("followgroups", c.T("trialweb-groups"), p, trail...)
	}
	f, err := s.app.GroupFollow(ctx, c.actor, g.Block.ID, c.number("version"), order)
	if err == nil {
		return c.gone(here, c.S("trialweb-done-groups", "n", len(f.Facts.Groups)), f.Act)
	}
	fs, bad := usable(err)
	if con := conflict(err); con != nil {
		fs, bad = finding.Faults{{Class: finding.Usage, ID: "groups-changed"}}, true
		p.Version = con.Theirs.Version
	}
	if !bad {
		return err
	}
	p.Faults = c.lines(fs)
	return c.again("followgroups", c.T("trialweb-groups"), p, trail...)
}
