package web

// methodRow is one method of follow-up: what it says, its formula and sources.
// Formulas and sources read the same in every language.
type methodRow struct {
	Key, Formula string
	Sources      []string
}

var followMethods = []methodRow{
	{"progress", "AUDPC = Σ (yᵢ + yᵢ₊₁)/2 · (tᵢ₊₁ − tᵢ);  AUDPC/(100 D);  AUDPS = AUDPC + (y₁ + yₙ)/2 · D/(n − 1);  100 Σ nᵢvᵢ/(N vₘₐₓ)",
		[]string{"Shaner, G., Finney, R. E. 1977. Phytopathology 67:1051.", "Simko, I., Piepho, H.-P. 2012. Phytopathology 102:381.", "McKinney, H. H. 1923. Journal of Agricultural Research 26:195.", "Townsend, G. R., Heuberger, J. W. 1943. Plant Disease Reporter 27:340."}},
	{"causes", "", nil},
	{"survival", "S(t) = Π (1 − dᵢ/nᵢ),  tᵢ ≤ t", []string{"Kaplan, E. L., Meier, P. 1958. Journal of the American Statistical Association 53:457.", "Brookmeyer, R., Crowley, J. 1982. Biometrics 38:29.", "Mantel, N. 1966. Cancer Chemotherapy Reports 50:163.", "Cox, D. R. 1972. Journal of the Royal Statistical Society B 34:187.", "Efron, B. 1977. Journal of the American Statistical Association 72:557.", "Firth, D. 1993. Biometrika 80:27."}},
	{"efficacy", "100 (1 − (a/n)/(c/m));  100 (1 − Ta/Tb · Ub/Ua);  100 (1 − Ta/Ua)", []string{"Henderson, C. F., Tilton, E. W. 1955. Journal of Economic Entomology 48:157.", "Abbott, W. S. 1925. Journal of Economic Entomology 18:265.", "Schneider-Orelli, O. 1947. Entomologisches Praktikum."}},
	{"residue", "SFO c₀e^(−kt);  FOMC c₀(t/β + 1)^(−α);  DFOP c₀(g e^(−k₁t) + (1 − g) e^(−k₂t));  HS k₁ → k₂", []string{"FOCUS 2006. EC SANCO/10058/2005."}},
	{"again", "", nil},
	{"wounds", "v = k/(k − 1) · Σ (xᵢ − p mᵢ)²/(Σm)²;  n/d,  d = max(1, v/(p(1 − p)/Σm))", []string{"Kish, L. 1965. Survey sampling.", "Wilson, E. B. 1927. Journal of the American Statistical Association 22:209."}},
}

// followMethod shows how follow-up is worked out.
func (s *Server) followMethod(c *call) error {
	return c.show("followmethod", c.T("followmethod-title"), followMethods, crumb{c.T("web-about"), "/about"})
}
