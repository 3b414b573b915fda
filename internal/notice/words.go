package notice

// words are the texts of one language. Every language has them all: a test walks the fields.
type words struct {
	Title                                                                             map[string]string // by outcome
	Sensors                                                                           map[string]string // by kind
	Positions                                                                         map[string]string // by outcome of a position
	Moment                                                                            string            // time layout
	Sentence                                                                          string            // %s: the sensor
	What                                                                              []string          // what the customer should know and do
	Vehicle, Plate, System, Result, Reason, Shop, Phone, Declared, Attempts, Position string
	Received, Name, Signature, Place                                                  string
	Trail                                                                             string
}

// languages by their code.
var languages = map[string]words{
	"en": {
		Title: map[string]string{
			"not-completed": "Calibration not completed",
			"interrupted":   "Calibration interrupted",
			"withdrawn":     "Calibration not carried out",
		},
		Sensors: map[string]string{
			"front-camera": "front camera", "night-camera": "night vision camera", "rear-camera": "rear camera",
			"surround-cameras": "surround-view cameras", "front-radar": "front radar", "corner-radar": "corner radar",
			"rear-radar": "rear radar", "lidar": "lidar", "parking-sensors": "parking sensors", "steering-angle": "steering angle sensor",
		},
		Positions: map[string]string{
			"completed": "run", "not-completed": "run, not completed", "interrupted": "interrupted", "not-run": "not run",
		},
		Moment:   "2 January 2006, 15:04 UTC",
		Sentence: "Affected by the work on this vehicle, and not calibrated: %s.",
		What: []string{
			"Treat every assistance function that depends on this sensor as not verified. It may act late, wrongly or not at all, and the vehicle may show no warning lamp and store no fault.",
			"Do not rely on it until the calibration has been carried out. The vehicle's own instructions say which functions depend on this sensor and how to switch them off.",
			"Have the calibration carried out by a workshop that works to the vehicle maker's service information.",
		},
		Vehicle: "Vehicle identification number", Plate: "Plate", System: "System", Result: "Outcome", Reason: "Reason", Shop: "Workshop",
		Phone: "Telephone", Declared: "Declared", Attempts: "Attempts", Position: "Position",
		Received: "I have received this notice.", Name: "Name", Signature: "Signature", Place: "Place, date",
		Trail: "Made from entry %d of calibration %s. The workshop keeps the whole record.",
	},
	"de": {
		Title: map[string]string{
			"not-completed": "Kalibrierung nicht abgeschlossen",
			"interrupted":   "Kalibrierung abgebrochen",
			"withdrawn":     "Kalibrierung nicht durchgeführt",
		},
		Sensors: map[string]string{
			"front-camera": "Frontkamera", "night-camera": "Nachtsichtkamera", "rear-camera": "Rückfahrkamera",
			"surround-cameras": "Umfeldkameras", "front-radar": "Frontradar", "corner-radar": "Eckradar",
			"rear-radar": "Heckradar", "lidar": "Lidar", "parking-sensors": "Parksensoren", "steering-angle": "Lenkwinkelsensor",
		},
		Positions: map[string]string{
			"completed": "gelaufen", "not-completed": "gelaufen, nicht abgeschlossen", "interrupted": "abgebrochen", "not-run": "nicht gelaufen",
		},
		Moment:   "02.01.2006, 15:04 UTC",
		Sentence: "Von den Arbeiten an diesem Fahrzeug betroffen und nicht kalibriert: %s.",
		What: []string{
			"Behandeln Sie jede Assistenzfunktion, die von diesem Sensor abhängt, als ungeprüft. Sie kann spät, falsch oder gar nicht eingreifen, auch ohne Warnleuchte und ohne gespeicherten Fehler.",
			"Verlassen Sie sich nicht darauf, bis die Kalibrierung durchgeführt ist. Die Anleitung des Fahrzeugs sagt, welche Funktionen von diesem Sensor abhängen und wie man sie abschaltet.",
			"Lassen Sie die Kalibrierung in einer Werkstatt durchführen, die nach den Reparaturunterlagen des Herstellers arbeitet.",
		},
		Vehicle: "Fahrzeug-Identifizierungsnummer", Plate: "Kennzeichen", System: "System", Result: "Ergebnis", Reason: "Grund", Shop: "Werkstatt",
		Phone: "Telefon", Declared: "Erklärt", Attempts: "Versuche", Position: "Position",
		Received: "Ich habe diesen Hinweis erhalten.", Name: "Name", Signature: "Unterschrift", Place: "Ort, Datum",
		Trail: "Erstellt aus Eintrag %d der Kalibrierung %s. Die Werkstatt bewahrt den ganzen Nachweis auf.",
	},
}
