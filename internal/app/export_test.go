package app

// RuleOf tells a test what the table of permissions asks for.
func RuleOf(method string) (least Role, where string, ok bool) {
	r, ok := Permissions[method]
	return r.least, [...]string{"there", "anywhere", "everywhere"}[r.where], ok
}

// MembershipID is the identifier of a person's role on an estate.
func MembershipID(person, estate string) string { return membershipID(person, estate) }
