package web

import (
	"slices"
	"strconv"
	"strings"

	"sapward/internal/app"
	"sapward/internal/brief"
	"sapward/plan/crew"
)

// clockedRow is a group of steps with the seconds clocked on the pilot tree.
type clockedRow struct{ Group, Name, Seconds string }

// clockedGroups are the groups of steps in the order of the work.
var clockedGroups = []string{crew.GroupPrepare, crew.GroupClimb, crew.GroupDrill, crew.GroupDeliver, crew.GroupUptake, crew.GroupClose, crew.GroupHygiene}

// typedCrew reads who is named, who climbs, and what the pilot tree took. A
// form without these fields leaves them as they are.
func (c *call) typedCrew(cr *brief.Crew) {
	if roles, sent := c.r.PostForm["people"]; sent {
		cr.People = nil
		has := func(name, role string) bool {
			return slices.ContainsFunc(c.r.PostForm[name], func(x string) bool { return strings.EqualFold(strings.TrimSpace(x), role) })
		}
		for _, line := range strings.Split(strings.Join(roles, "\n"), "\n") {
			if role := strings.TrimSpace(line); role != "" {
				cr.People = append(cr.People, brief.Person{Role: role, Climber: has("climber", role), Second: has("second", role)})
			}
		}
	}
	if _, sent := c.r.PostForm["pilot"]; !sent {
		return
	}
	p := brief.Pilot{Tree: c.field("pilot")}
	for _, g := range clockedGroups {
		if n := c.number("clocked-" + g); c.field("clocked-"+g) != "" && n != 0 {
			if p.Seconds == nil {
				p.Seconds = map[string]int64{}
			}
			p.Seconds[g] = int64(n) // what is no number is -1, and refused
		}
	}
	cr.Pilot = nil
	if p.Tree != "" || len(p.Seconds) > 0 {
		cr.Pilot = &p
	}
}

// crewForm fills the fields of crew and pilot tree.
func (pp *planPage) crewForm(v *view) {
	var roles []string
	for _, p := range pp.Crew.People {
		roles = append(roles, p.Role)
	}
	pp.People, pp.Members = strings.Join(roles, "\n"), pp.Crew.People
	for _, g := range clockedGroups {
		row := clockedRow{Group: g, Name: v.T("planform-group-" + g)}
		if pp.Crew.Pilot != nil && pp.Crew.Pilot.Seconds[g] > 0 {
			row.Seconds = strconv.FormatInt(pp.Crew.Pilot.Seconds[g], 10)
		}
		pp.Clocked = append(pp.Clocked, row)
	}
}

// pilotOf is the tree an approved plan begins with.
func pilotOf(v app.PlanView) string {
	if p := v.Facts.Crew.Pilot; p != nil && p.Tree != "" {
		return p.Tree
	}
	if o := v.Doc.Outfit; o != nil && len(o.Schedule.Days) > 0 && len(o.Schedule.Days[0].Visits) > 0 {
		return o.Schedule.Days[0].Visits[0].Tree
	}
	return ""
}
