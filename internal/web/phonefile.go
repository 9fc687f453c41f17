package web

import (
	"io"
	"time"

	"sapward/internal/app"
)

// phoneFilePage is a phone's file before it is taken in.
type phoneFilePage struct {
	dayHead
	Faults    []string
	Token     string
	File      string
	Made      string
	Span      string
	View      app.PhoneFileView
	Owners    []fileOwner
	Refused   []fileRefused
	Pictures  []fileRefused
	OtherDays []fileDay
	Conflicts []string
	Nothing   bool
}

type fileOwner struct {
	Text    string
	Revoked bool
}

// fileRefused are notes that are not taken for one reason.
type fileRefused struct {
	Why string
	N   int
}

type fileDay struct{ Href, Text string }

func (c *call) phoneFilePage(v app.DayView, faults ...string) phoneFilePage {
	return phoneFilePage{dayHead: c.head(v), Faults: faults}
}

// phoneFileForm asks for a file that a phone saved, previews it, and takes it.
func (s *Server) phoneFileForm(c *call) error {
	v, err := c.theDay()
	if err != nil {
		return err
	}
	if !c.may("PreviewPhoneFile", v.Estate.ID) {
		_, err := s.app.PreviewPhoneFile(c.r.Context(), c.actor, v.ID, nil)
		return err
	}
	return c.show("phonefile", c.T("web-phonefile"), c.phoneFilePage(v), c.dayTrail(v)...)
}

// phoneFilePreview shows what a file would bring.
func (s *Server) phoneFilePreview(c *call) error {
	v, err := c.theDay()
	if err != nil {
		return err
	}
	file, header, err := c.r.FormFile("file")
	if err != nil {
		return c.again("phonefile", c.T("web-phonefile"), c.phoneFilePage(v, c.T("web-file-needed")), c.dayTrail(v)...)
	}
	defer file.Close()
	data, err := io.ReadAll(file)
	if err != nil {
		return err
	}
	token := s.token()
	f := upload{name: header.Filename, block: v.ID, kind: "phone", person: c.actor.Person, data: data, at: time.Now()}
	pre, err := s.app.PreviewPhoneFile(c.r.Context(), c.actor, v.ID, data)
	if fs, bad := usable(err); bad {
		return c.again("phonefile", c.T("web-phonefile"), c.phoneFilePage(v, c.lines(fs)...), c.dayTrail(v)...)
	}
	if err != nil {
		return err
	}
	s.uploads.put(token, f)
	p := c.phoneFilePage(v)
	p.Token, p.File = token, f.name
	c.fillPhoneFile(&p, v, pre)
	return c.show("phonefile", c.S("web-preview-title", "file", f.name), p, c.dayTrail(v)...)
}

func (c *call) fillPhoneFile(p *phoneFilePage, v app.DayView, pre app.PhoneFileView) {
	p.View, p.Made = pre, c.instant(pre.MadeAt)
	if pre.First != "" {
		p.Span = c.S("web-phonefile-span", "from", c.instant(pre.First), "to", c.instant(pre.Last))
	}
	for _, o := range pre.Owners {
		p.Owners = append(p.Owners, fileOwner{c.S("web-phonefile-owner", "name", o.Name, "n", o.Notes, "new", o.New, "device", o.Device[max(0, len(o.Device)-6):]), o.Revoked})
	}
	p.Refused, p.Pictures = c.grouped(pre.Refused), c.grouped(pre.Pictures.Refused)
	for _, d := range pre.OtherDays {
		x := fileDay{Text: c.S("web-phonefile-other-unknown", "n", d.Notes)}
		if d.On != "" {
			x = fileDay{"/days/" + d.ID + "/file", c.S("web-phonefile-other", "n", d.Notes, "on", d.On)}
		}
		p.OtherDays = append(p.OtherDays, x)
	}
	for _, k := range pre.Conflicts {
		p.Conflicts = append(p.Conflicts, c.S("day-conflict-"+string(k.Kind), "tree", k.Tree, "port", k.Port))
	}
	p.Nothing = pre.New == 0 && pre.Pictures.New == 0
}

// grouped counts refusals by their reason, in the order they came.
func (c *call) grouped(list []app.RefusedNote) (out []fileRefused) {
	at := map[string]int{}
	for _, r := range list {
		why := ""
		for i, line := range c.lines(r.Faults) {
			why += pick(i > 0, " ", "") + line
		}
		if k, ok := at[why]; ok {
			out[k].N++
			continue
		}
		at[why] = len(out)
		out = append(out, fileRefused{why, 1})
	}
	return out
}

// takePhoneFile keeps what was previewed.
func (s *Server) takePhoneFile(c *call) error {
	f, ok := s.uploads.get(c.field("token"), c.actor.Person)
	if !ok || f.kind != "phone" || f.block != c.id() {
		v, err := c.theDay()
		if err != nil {
			return err
		}
		return c.again("phonefile", c.T("web-phonefile"), c.phoneFilePage(v, c.T("web-file-gone")), c.dayTrail(v)...)
	}
	out, err := s.app.TakePhoneFile(c.r.Context(), c.actor, c.id(), f.data)
	if err != nil {
		return err
	}
	s.uploads.drop(c.field("token"))
	return c.gone("/days/"+c.id(), c.S("web-done-phonefile", "new", out.New, "same", out.Same, "pictures", out.Pictures.New), "")
}
