package draw

import "testing"

func BenchmarkRing60_SVG(b *testing.B) {
	r := exRing(60, 340, english())
	for b.Loop() {
		s, err := DrawRing(r)
		if err != nil {
			b.Fatal(err)
		}
		s.SVGInline()
	}
}

func BenchmarkRing60_PDF(b *testing.B) {
	s, err := DrawRing(exRing(60, 340, english()))
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		if _, err := s.PDF(day); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkMap2000_SVG(b *testing.B) {
	m := exMap(2000, false, 1200)
	for b.Loop() {
		s, err := DrawBlockMap(m)
		if err != nil {
			b.Fatal(err)
		}
		s.SVGInline()
	}
}
