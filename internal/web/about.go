package web

import (
	"sync"

	"sapward/internal/lang"
)

var printers sync.Map

// printer returns the one printer of a language and system of units; it is
// read only.
func printer(language, units string) *lang.Printer {
	key := language + "/" + units
	if p, ok := printers.Load(key); ok {
		return p.(*lang.Printer)
	}
	p, _ := printers.LoadOrStore(key, lang.New(language, units))
	return p.(*lang.Printer)
}

// source is a work the program's numbers come from.
type source struct{ Key, Text string }

func (s *Server) about(c *call) error {
	return c.show("about", c.T("web-about"), []source{
		{"dose", "Freese, F. 1962. Elementary forest sampling. USDA Agriculture Handbook 232."},
		{"et0", "Allen, R. G. et al. 1998. Crop evapotranspiration. FAO Irrigation and Drainage Paper 56."},
		{"disease", "Madden, L. V., Hughes, G., van den Bosch, F. 2007. The study of plant disease epidemics. APS Press."},
		{"fit", "FOCUS 2006. Guidance document on estimating persistence and degradation kinetics. EC SANCO/10058/2005."},
		{"page", "W3C 2023. Web Content Accessibility Guidelines (WCAG) 2.2."},
	})
}
