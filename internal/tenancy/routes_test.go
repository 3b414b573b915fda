package tenancy

// routes is a row for each route. anyone: who asks makes no difference. members: whoever is signed in, and none else; owners:
// of these the owners. procedures: by the asker's agreements. seeing and takingOut: by what the asker is to the stream in the
// address; who narrows it. things: what is one organisation's own and no stream; theirs gives one of the shop that has nothing
// to do with the others. announcing: vehicle interfaces, and none else; showing: instrument gateways, and none else.
var routes = []route{
	{is: "POST /v1/sign-in", reach: anyone},
	{is: "POST /v1/refresh", reach: anyone},
	{is: "POST /v1/sign-out", reach: anyone},
	{is: "POST /v1/join", reach: anyone},
	{is: "POST /v1/resets", reach: anyone, body: `{"login":"nobody@north.example"}`},
	{is: "GET /v1/accounts", reach: owners},
	{is: "GET /v1/invitations", reach: owners},
	{is: "POST /v1/invitations", reach: owners, body: `{"member":"01940000-0000-7000-8000-00000000e0a1","login":"nobody@nowhere.example"}`},
	{is: "DELETE /v1/invitations/{id}", reach: things, theirs: func(w *town) string { return w.invitation }},
	{is: "POST /v1/read-alignment", reach: members},
	{is: "POST /v1/read-codes", reach: members},
	{is: "POST /v1/read-document", reach: members},
	{is: "GET /v1/me", reach: members},
	{is: "POST /v1/password", reach: members},
	{is: "GET /v1/sessions", reach: members},
	{is: "DELETE /v1/sessions/{id}", reach: things, theirs: func(w *town) string { return w.session }},

	{is: "POST /v1/{kinds}/{id}/commands", reach: commanding},
	{is: "GET /v1/{kinds}/{id}/entries", reach: seeing},
	{is: "GET /v1/{kinds}/{id}", reach: seeing},
	{is: "GET /v1/{kinds}", reach: listing},
	{is: "GET /v1/queue", reach: queueing},
	{is: "GET /v1/queue/record", reach: queueing},
	{is: "GET /v1/calibrations/{id}/place", reach: seeing},
	{is: "GET /v1/calibrations/{id}/bundle", reach: takingOut},
	{is: "POST /v1/calibrations/{id}/live", reach: connecting}, // walked with the message reading
	{is: "GET /v1/calibrations/{id}/words", reach: seeing},
	{is: "GET /v1/calibrations/{id}/notice", reach: seeing, who: "own technician owner, claimed specialist owner"},
	{is: "POST /v1/calibrations/{id}/photos", reach: seeing, who: "own technician owner, claimed specialist owner"},
	{is: "GET /v1/calibrations/{id}/photos/{photo}", reach: seeing, who: "own technician specialist owner, claimed specialist owner"},
	{is: "GET /v1/procedures", reach: procedures},
	{is: "GET /v1/procedures/{id}", reach: procedures},
	{is: "GET /v1/registers/{id}/export", reach: takingOut},
	{is: "GET /v1/webhooks", reach: owners},
	{is: "GET /v1/webhooks/{id}/deliveries", reach: things, theirs: webhook},
	{is: "POST /v1/webhooks/{id}/deliveries/{delivery}/retry", reach: things, theirs: webhook},
	{is: "POST /v1/webhooks/{id}/enable", reach: things, theirs: webhook},
	{is: "POST /v1/webhooks/{id}/secret", reach: things, theirs: webhook},
	{is: "POST /v1/interfaces/{id}/token", reach: things, theirs: func(w *town) string { return w.device.id.String() }},
	{is: "POST /v1/announcements", reach: announcing},
	{is: "POST /v1/readings", reach: showing},
	{is: "GET /v1/live", reach: connecting},

	{is: "GET /v1/trail-key", reach: anyone},
	{is: "GET /problems/{slug}", reach: anyone, path: "/problems/not-found"},
	{is: "GET /v1/openapi.yaml", reach: anyone},
	{is: "GET /v1/asyncapi.yaml", reach: anyone},
	{is: "GET /v1/schema/{name}", reach: anyone, path: "/v1/schema/case.json"},
	{is: "GET /docs", reach: anyone},
	{is: "GET /", reach: anyone},
	{is: "GET /healthz", reach: anyone},
	{is: "GET /readyz", reach: anyone},
}

func webhook(w *town) string { return w.webhook }
