package app

// MembershipID is the identifier of a person's role on an estate.
func MembershipID(person, estate string) string { return membershipID(person, estate) }
