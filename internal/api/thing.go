package api

import (
	"net/url"
	"reflect"
	"time"

	"sapward/internal/app"
)

// Stamp is what is known of a thing apart from its facts.
type Stamp struct {
	ID        string    `json:"id"`
	Estate    string    `json:"estate,omitempty"` // it belongs to; absent for what belongs to none
	Parent    string    `json:"parent,omitempty"` // the thing it belongs to, such as a tree's block
	Version   int       `json:"version"`          // 1 when new; its ETag in quotes
	ChangedAt time.Time `json:"changed_at"`       // UTC
	ChangedBy string    `json:"changed_by"`       // identifier of the person
	Act       string    `json:"act"`              // of the last change; undo takes it
	Retired   bool      `json:"retired"`          // out of use; its facts stay
}

// Thing is a thing with its facts.
type Thing[F any] struct {
	Stamp
	Facts F `json:"facts"`
}

func stamp(s app.Stamp) Stamp {
	return Stamp{ID: s.ID, Estate: s.Estate, Parent: s.Parent, Version: s.Version, ChangedAt: s.At, ChangedBy: s.By, Act: s.Act, Retired: s.Retired}
}

func thing[F any](k app.Kept[F]) Thing[F] { return Thing[F]{stamp(k.Stamp), k.Facts} }

func things[F any](list []app.Kept[F]) []Thing[F] {
	out := make([]Thing[F], len(list))
	for i, k := range list {
		out[i] = thing(k)
	}
	return out
}

// versioned is what has a version of its own.
type versioned interface {
	tag() (id string, version int)
}

func (s Stamp) tag() (string, int) { return s.ID, s.Version }

func versionOf(out any) int {
	if v, ok := out.(versioned); ok {
		_, n := v.tag()
		return n
	}
	return 0
}

// homes says where things of a type are read.
var homes = map[reflect.Type]struct {
	kind app.Type
	path string
}{
	reflect.TypeFor[app.EstateFacts]():      {app.TypeEstate, "estates"},
	reflect.TypeFor[app.BlockFacts]():       {app.TypeBlock, "blocks"},
	reflect.TypeFor[app.TreeFacts]():        {app.TypeTree, "trees"},
	reflect.TypeFor[app.WoundFacts]():       {app.TypeWound, ""},
	reflect.TypeFor[app.CardFacts]():        {app.TypeCard, "cards"},
	reflect.TypeFor[app.CheckFacts]():       {app.TypeCheck, ""},
	reflect.TypeFor[app.DraftFacts]():       {app.TypeDraft, "drafts"},
	reflect.TypeFor[app.PlanFacts]():        {app.TypePlan, "plans"},
	reflect.TypeFor[app.GateFacts]():        {app.TypeGate, ""},
	reflect.TypeFor[app.DayFacts]():         {app.TypeDay, "days"},
	reflect.TypeFor[app.RecordFacts]():      {app.TypeRecord, "records"},
	reflect.TypeFor[app.ApplicationFacts](): {app.TypeApplication, ""},
	reflect.TypeFor[app.FollowFacts]():      {app.TypeFollow, ""},
	reflect.TypeFor[app.VisitFacts]():       {app.TypeVisit, ""},
	reflect.TypeFor[app.AttachmentFacts]():  {app.TypeAttachment, "attachments"},
	reflect.TypeFor[app.TokenFacts]():       {app.TypeToken, ""},
	reflect.TypeFor[app.SettingsFacts]():    {app.TypeSettings, ""},
}

func typeOf[F any]() app.Type { return homes[reflect.TypeFor[F]()].kind }

// placeOf is where a thing is read, empty where it has no address of its own.
func (h *Handler) placeOf(out any) string {
	v, ok := out.(versioned)
	if !ok {
		return ""
	}
	t := reflect.TypeOf(out)
	f, ok := t.FieldByName("Facts")
	if !ok || homes[f.Type].path == "" {
		return ""
	}
	id, _ := v.tag()
	return Root + homes[f.Type].path + "/" + url.PathEscape(id)
}
