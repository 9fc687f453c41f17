package app

import (
	"context"

	"sapward/finding"
)

// Role is what a person is on one estate.
type Role string

// The roles, greatest first. A greater role may do all that a lesser may.
const (
	Owner    Role = "owner"
	Adviser  Role = "adviser"
	CrewLead Role = "crew-lead"
	Crew     Role = "crew"
	Viewer   Role = "viewer"
	Nobody   Role = "" // no role: a stranger, or a person of another estate
)

// Roles are all roles, greatest first.
var Roles = []Role{Owner, Adviser, CrewLead, Crew, Viewer}

// rank orders roles: greater is more.
func (r Role) rank() int {
	for i, x := range Roles {
		if x == r {
			return len(Roles) - i
		}
	}
	return 0
}

// Allows reports whether a person with role r may do what asks for least.
func (r Role) Allows(least Role) bool { return r.rank() >= least.rank() }

// scope says where a role must be held.
type scope int

const (
	there      scope = iota // on the estate the use case is about
	anywhere                // on any estate: the use case concerns no one estate
	everywhere              // on everything: a role that belongs to no one estate
)

// PermissionOf returns the least role of a use case and where it must be held:
// there (on the estate in question), anywhere, or everywhere.
func PermissionOf(method string) (least Role, where string, ok bool) {
	p, ok := Permissions[method]
	return p.least, [...]string{"there", "anywhere", "everywhere"}[p.where], ok
}

// rule says what one use case asks for.
type rule struct {
	least Role
	where scope
}

// Permissions lists, for each use case by the name of its method, the least
// role. A test walks the exported methods of App and fails when one is missing.
var Permissions = map[string]rule{
	// Nobody has to be signed in for these.
	"SignIn":     {Nobody, anywhere},
	"FirstOwner": {Nobody, anywhere},
	"Me":         {Nobody, anywhere},
	"MayDo":      {Nobody, anywhere},

	"Estates":      {Viewer, anywhere},
	"Estate":       {Viewer, there},
	"AddEstate":    {Owner, anywhere},
	"ChangeEstate": {Owner, there},
	"RetireEstate": {Owner, there},

	"Block":        {Viewer, there},
	"AddBlock":     {Adviser, there},
	"ChangeBlock":  {Adviser, there},
	"RetireBlock":  {Adviser, there},
	"RestoreBlock": {Adviser, there},
	"SampleBlock":  {Viewer, there},
	"PickTrees":    {Viewer, there},

	"Trees":       {Viewer, there},
	"Places":      {Viewer, there},
	"Tree":        {Viewer, there},
	"AddTree":     {CrewLead, there},
	"ChangeTree":  {CrewLead, there},
	"MeasureTree": {Crew, there},
	"RateTree":    {Crew, there},
	"RetireTree":  {CrewLead, there},
	"RestoreTree": {CrewLead, there},
	"AddWound":    {Crew, there},
	"ChangeWound": {Crew, there},
	"RetireWound": {CrewLead, there},

	"Cards":       {Viewer, anywhere},
	"Card":        {Viewer, anywhere},
	"TryCard":     {Adviser, anywhere},
	"AddCard":     {Adviser, anywhere},
	"ChangeCard":  {Adviser, anywhere},
	"CheckCard":   {CrewLead, anywhere},
	"CardChanges": {Viewer, anywhere},
	"RetireCard":  {Adviser, anywhere},
	"RestoreCard": {Adviser, anywhere},

	"Plans":          {Viewer, there},
	"TryPlan":        {Viewer, there},
	"CompareMethods": {Viewer, there},
	"Draft":          {Viewer, there},
	"AddDraft":       {Adviser, there},
	"SaveDraft":      {Adviser, there},
	"KeepWeather":    {Adviser, there},
	"AnswerFact":     {Adviser, there},
	"RetireDraft":    {Adviser, there},
	"ApprovePlan":    {Adviser, there},
	"Plan":           {Viewer, there},
	"PlanDocument":   {Viewer, there},
	"WithdrawPlan":   {Adviser, there},
	"Gate":           {Viewer, there},
	"KeepGate":       {CrewLead, there},

	"Days":        {Viewer, there},
	"Day":         {Viewer, there},
	"OpenDay":     {CrewLead, there},
	"ChangeDay":   {CrewLead, there},
	"CloseDay":    {CrewLead, there},
	"WatchDay":    {Viewer, there},
	"AddPhone":    {CrewLead, there},
	"RevokePhone": {CrewLead, there},
	"NoteAll":     {Crew, there},

	"PreviewPhoneFile": {CrewLead, there},
	"TakePhoneFile":    {CrewLead, there},

	"Note":          {Crew, there},      // a decision or a slip taken back: crew lead; decided inside
	"Joinable":      {Nobody, anywhere}, // the code is the key
	"Join":          {Nobody, anywhere},
	"Phone":         {Nobody, anywhere}, // the phone's token is the key, here and below
	"PhonePack":     {Nobody, anywhere},
	"PhoneExchange": {Nobody, anywhere},
	"PhotoState":    {Nobody, anywhere},
	"PutPhoto":      {Nobody, anywhere},

	"Records":     {CrewLead, there}, // they hold persons' data
	"Record":      {CrewLead, there},
	"RecordDay":   {CrewLead, there},
	"NewRecord":   {CrewLead, there},
	"AmendRecord": {CrewLead, there},
	"SignRecord":  {CrewLead, there},

	"Feeds":      {Viewer, there},
	"AddFeed":    {Adviser, there},
	"RevokeFeed": {Adviser, there},
	"Calendar":   {Nobody, anywhere}, // the address is the key

	"Applications":      {Viewer, there},
	"AddApplication":    {CrewLead, there},
	"ChangeApplication": {CrewLead, there},
	"RetireApplication": {CrewLead, there},

	"FollowUp":     {Viewer, there},
	"Visits":       {Viewer, there},
	"Season":       {Viewer, there},
	"SetFollow":    {CrewLead, there},
	"AddVisit":     {Crew, there},
	"RetireVisit":  {CrewLead, there},
	"ImportFollow": {CrewLead, there},

	"Trials":           {Viewer, there}, // without who got what, below the role of the key
	"Trial":            {Viewer, there},
	"DesignTrial":      {Adviser, there},
	"ChangeTrial":      {Adviser, there},
	"OpenTrialKey":     {Adviser, there},
	"RetireTrial":      {Adviser, there},
	"AssessTrial":      {Crew, there},
	"ImportTrial":      {Crew, there},
	"RetireAssessment": {CrewLead, there},
	"AnalyseTrial":     {Viewer, there}, // while the key is closed: the role of the key; decided inside
	"TrialVariation":   {Adviser, there},
	"TrialPower":       {Adviser, there},
	"FollowGroups":     {CrewLead, there},
	"GroupFollow":      {CrewLead, there},

	"Attachments":      {Viewer, there},
	"Attach":           {Crew, there},
	"OpenAttachment":   {Viewer, there},
	"RetireAttachment": {CrewLead, there},

	"People":          {Viewer, anywhere},
	"AddPerson":       {Owner, anywhere},
	"ChangePerson":    {Nobody, anywhere}, // oneself, or as owner; decided inside
	"SetPassphrase":   {Nobody, anywhere}, // oneself, or as owner; decided inside
	"RetirePerson":    {Owner, everywhere},
	"Grant":           {Owner, there},
	"Revoke":          {Owner, there},
	"FirstOwnerToken": {Owner, everywhere},

	"Settings":       {Viewer, anywhere},
	"ChangeSettings": {Owner, everywhere},

	"PreviewImport": {CrewLead, there},
	"Import":        {CrewLead, there},
	"Export":        {Adviser, there},
	"Backup":        {Owner, everywhere},
	"Check":         {Owner, everywhere},

	"Due":     {Viewer, there},
	"Search":  {Viewer, anywhere},
	"Audit":   {Adviser, anywhere},
	"History": {Viewer, there},
	"Undo":    {Viewer, anywhere}, // one's own act only; decided inside

	"FillDemo": {Owner, everywhere},

	"Tokens":        {Viewer, anywhere}, // one's own, or as owner those of others; decided inside
	"AddToken":      {Viewer, anywhere}, // no more than one's own role; decided inside
	"WithdrawToken": {Nobody, anywhere}, // one's own, or as owner; decided inside
	"Bearer":        {Nobody, anywhere}, // the token is the key
	"Began":         {Nobody, anywhere}, // of one's own request, here and below
	"Answered":      {Nobody, anywhere},
	"Freed":         {Nobody, anywhere},
	"Kept":          {Nobody, anywhere},
}

// notForPrograms are use cases that a token cannot run, whatever its role: they
// would outlast it, or they are about the machine.
var notForPrograms = map[string]bool{
	"AddToken": true, "AddPerson": true, "RetirePerson": true, "Grant": true, "Revoke": true, "ChangePerson": true, "SetPassphrase": true,
	"ChangeSettings": true, "FirstOwnerToken": true, "Backup": true, "Check": true, "FillDemo": true, "AddFeed": true, "AddPhone": true,
}

func byPerson() error { return &finding.Fault{Class: finding.Denied, ID: "token-not-this"} }

// role returns the actor's role on an estate, or with estate empty the greatest
// role on any.
func (a *App) role(ctx context.Context, r Reader, actor Actor, estate string) (Role, error) {
	if actor.Token == "" {
		return a.roleOf(ctx, r, actor, estate)
	}
	if actor.Only != "" && estate != "" && estate != actor.Only {
		return Nobody, nil
	}
	have, err := a.roleOf(ctx, r, actor, orElse(actor.Only, estate))
	return lesser(have, actor.Most), err
}

// lesser is the smaller of two roles.
func lesser(a, b Role) Role {
	if a.rank() < b.rank() {
		return a
	}
	return b
}

// roleOf is role for the person, whatever a token leaves of it.
func (a *App) roleOf(ctx context.Context, r Reader, actor Actor, estate string) (Role, error) {
	if actor.Local {
		return Owner, nil
	}
	best := Nobody
	if actor.Person == "" {
		return best, nil
	}
	p, err := get[PersonFacts](ctx, r, TypePerson, actor.Person)
	if isMissing(err) || err == nil && p.Retired {
		return best, nil
	}
	if err != nil {
		return best, err
	}
	ms, err := list[MembershipFacts](ctx, r, Query{Type: TypeMembership, Parent: actor.Person})
	if err != nil {
		return best, err
	}
	for _, m := range ms {
		// A membership without estate counts everywhere.
		if (estate == "" || m.Estate == estate || m.Estate == "") && m.Facts.Role.rank() > best.rank() {
			best = m.Facts.Role
		}
	}
	return best, nil
}

// everywhere returns the role an actor has on everything.
func (a *App) everywhere(ctx context.Context, actor Actor) (Role, error) {
	switch {
	case actor.Token != "" && actor.Only != "":
		return Nobody, nil
	case actor.Token != "":
		most := actor.Most
		actor.Token, actor.Most = "", ""
		have, err := a.everywhere(ctx, actor)
		return lesser(have, most), err
	}
	if actor.Local {
		return Owner, nil
	}
	if role, err := a.role(ctx, a.Store, actor, ""); err != nil || role == Nobody {
		return Nobody, err
	}
	m, err := get[MembershipFacts](ctx, a.Store, TypeMembership, membershipID(actor.Person, ""))
	if isMissing(err) || err == nil && m.Retired {
		return Nobody, nil
	}
	return m.Facts.Role, err
}

// may is the gate of every use case. Whoever has no role on the estate is told
// that the thing does not exist; whoever has too small a role, that it is
// denied.
func (a *App) may(ctx context.Context, actor Actor, method, estate string) error {
	p, ok := Permissions[method]
	if !ok {
		return &finding.Fault{Class: finding.Internal, ID: "internal", Args: finding.Args{"cause": finding.Text("no permission for " + method)}}
	}
	if actor.Token != "" && notForPrograms[method] {
		return byPerson()
	}
	if p.least == Nobody {
		return nil
	}
	have, err := a.role(ctx, a.Store, actor, estate)
	if p.where == everywhere {
		have, err = a.everywhere(ctx, actor)
	}
	if err != nil {
		return err
	}
	if !have.Allows(p.least) {
		return denied(p.least)
	}
	return nil
}

func denied(least Role) error {
	return &finding.Fault{Class: finding.Denied, ID: "app-denied", Args: finding.Args{"role_by": finding.Text("role-" + string(least))}}
}

// mayOn checks a use case on one thing. A thing that does not exist is denied
// to whoever could not see it and missing to the others.
func (a *App) mayOn(ctx context.Context, actor Actor, method string, t Type, id string) error {
	estate, err := a.estateOf(ctx, t, id)
	if isMissing(err) {
		if denied := a.may(ctx, actor, method, ""); denied != nil {
			return denied
		}
		return missing(string(t))
	}
	if err != nil {
		return err
	}
	return a.may(ctx, actor, method, estate)
}

// MayDo reports whether the actor may run a use case, by the name of its
// method, on an estate; pages ask it before they show a button.
func (a *App) MayDo(ctx context.Context, actor Actor, method, estate string) bool {
	return a.may(ctx, actor, method, estate) == nil
}
