package crew

import "strings"

// CompareTags orders tree tags the way people read them: runs of digits by their number, everything else by its
// characters, so that "A2" comes before "A10". It returns -1, 0 or +1 and is a total order: tags that read alike
// ("A2" and "A02") are told apart by their plain bytes, and only equal strings compare as 0.
func CompareTags(a, b string) int {
	i, j := 0, 0
	for i < len(a) && j < len(b) {
		if isDigit(a[i]) && isDigit(b[j]) {
			p, q := i, j
			for p < len(a) && isDigit(a[p]) {
				p++
			}
			for q < len(b) && isDigit(b[q]) {
				q++
			}
			x, y := strings.TrimLeft(a[i:p], "0"), strings.TrimLeft(b[j:q], "0")
			if len(x) != len(y) {
				return sign(len(x) - len(y))
			}
			if c := strings.Compare(x, y); c != 0 {
				return c
			}
			i, j = p, q
			continue
		}
		if a[i] != b[j] {
			return sign(int(a[i]) - int(b[j]))
		}
		i++
		j++
	}
	if c := sign((len(a) - i) - (len(b) - j)); c != 0 {
		return c
	}
	return strings.Compare(a, b)
}

func isDigit(c byte) bool { return '0' <= c && c <= '9' }

func sign(n int) int {
	switch {
	case n < 0:
		return -1
	case n > 0:
		return 1
	}
	return 0
}
