package port

// Genus returns the Latin genus, in lower case, of a name as people type it:
// Latin, or a common name in English or Spanish. It is empty for a name the
// program does not know; nothing may then be concluded from it.
func Genus(name string) string {
	_, genus := latin(name)
	return genus
}
