package app

import (
	"context"
	"encoding/json"
	"strings"

	"sapward/finding"
	q "sapward/measure/quantity"
	"sapward/plan/crew"
)

// SettingsFacts hold for everybody.
type SettingsFacts struct {
	Units    string          `json:"units,omitempty"` // metric (default) or us
	Lang     string          `json:"lang,omitempty"`  // en or es; empty: the browser's
	Paper    string          `json:"paper,omitempty"` // a4 or letter; empty: by units
	Currency string          `json:"currency,omitempty"`
	Prices   []PriceFacts    `json:"prices,omitempty"`
	Steps    json.RawMessage `json:"steps,omitempty"` // step times of the crew, sapward/crew-steps/1; empty: program defaults
}

// PriceFacts are what one piece, litre or hour of an item costs.
type PriceFacts struct {
	Item  string `json:"item"`
	Price string `json:"price"`
	Unit  string `json:"unit"` // piece, L or h
}

// Settings are the settings as they are kept.
type Settings = Kept[SettingsFacts]

// settingsID names the one settings there are.
const settingsID = "settings"

func (f *SettingsFacts) tidy() error {
	var faults finding.Faults
	choice(&faults, "units", &f.Units, "metric", "us")
	choice(&faults, "lang", &f.Lang, "en", "es")
	choice(&faults, "paper", &f.Paper, "a4", "letter")
	f.Currency = strings.ToUpper(strings.TrimSpace(f.Currency))
	if f.Currency == "" {
		f.Currency = "EUR"
	}
	if len(f.Currency) != 3 || strings.Trim(f.Currency, "ABCDEFGHIJKLMNOPQRSTUVWXYZ") != "" {
		faults = append(faults, usage("settings-currency", finding.Args{"text": finding.Text(clip(f.Currency))}))
	}
	for i := range f.Prices {
		p := &f.Prices[i]
		words(&faults, "item", &p.Item, 80)
		need(&faults, "item", p.Item)
		choice(&faults, "unit", &p.Unit, "piece", "L", "h")
		need(&faults, "unit", p.Unit)
		v, fault := q.Number(strings.TrimSpace(p.Price))
		if fault != nil || v.Sign() < 0 {
			faults = append(faults, usage("field-number", finding.Args{"field_by": finding.Text("field-price"), "text": finding.Text(clip(p.Price)), "example": finding.Text("12.50")}))
			continue
		}
		p.Price = v.String()
	}
	if len(f.Steps) > 0 {
		if _, err := crew.ParseSteps(f.Steps); err != nil {
			faults = append(faults, usage("settings-steps", finding.Args{"reason": finding.Text(err.Error())}))
		}
	}
	return faults.OrNil()
}

// settings returns the settings; before they are first changed, version 0 with
// the program's defaults.
func (a *App) settings(ctx context.Context) (Settings, error) {
	s, err := get[SettingsFacts](ctx, a.Store, TypeSettings, settingsID)
	if isMissing(err) {
		return Settings{Stamp: Stamp{ID: settingsID}, Facts: SettingsFacts{Currency: "EUR"}}, nil
	}
	return s, err
}

// Settings returns the settings that hold for everybody.
func (a *App) Settings(ctx context.Context, actor Actor) (Settings, error) {
	if err := a.may(ctx, actor, "Settings", ""); err != nil {
		return Settings{}, err
	}
	return a.settings(ctx)
}

// ChangeSettings keeps new settings; version is that of the settings looked at.
func (a *App) ChangeSettings(ctx context.Context, actor Actor, version int, f SettingsFacts) (Settings, error) {
	if err := a.may(ctx, actor, "ChangeSettings", ""); err != nil {
		return Settings{}, err
	}
	if err := f.tidy(); err != nil {
		return Settings{}, err
	}
	if version == 0 {
		return add(ctx, a, actor, Change{Type: TypeSettings, ID: settingsID}, f)
	}
	return change(ctx, a, actor, TypeSettings, Changed, settingsID, version, "", "", f)
}
