package app

import (
	"crypto/rand"
	"encoding/json"

	"readback/internal/register"
)

// FirstOwner is the least an installation starts with: one organisation and who answers for it.
type FirstOwner struct {
	Organisation string
	Sort         string // shop or desk
	Owner        string
	Login        string
}

// Document is the import document of the first owner, with a password made for them.
func (f FirstOwner) Document() (Document, string, error) {
	password := rand.Text() // 128 bits in 26 letters and digits
	raw, err := json.Marshal(map[string]any{
		"format":       register.Format,
		"organisation": map[string]any{"name": f.Organisation, "sort": f.Sort},
		"members": []any{map[string]any{
			"name": f.Owner, "roles": []string{"owner"},
			"sign_in": map[string]any{"login": f.Login, "password": password},
		}},
	})
	return Document{File: "the command line", Raw: raw}, password, err
}
