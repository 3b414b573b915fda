package faults

// readings are those of a position, without values: distance, the four front spans, the rest.
func readings() []map[string]any {
	list := []map[string]any{{"quantity": "datum-distance", "instrument": laser}}
	span := func(from, to, instrument string) {
		list = append(list, map[string]any{"quantity": "span", "from": from, "to": to, "instrument": instrument})
	}
	for _, axle := range []string{"front", "rear"} {
		for _, pair := range [][2]string{{"left", "left"}, {"right", "right"}, {"left", "right"}, {"right", "left"}} {
			span(axle+"-"+pair[0]+"-hub", pair[1]+"-end", map[string]string{"front": tape, "rear": laser}[axle])
		}
	}
	span("datum", "left-end", laser)
	span("datum", "right-end", laser)
	for _, end := range []string{"left-end", "right-end"} {
		list = append(list, map[string]any{"quantity": "end-height", "to": end, "instrument": rule})
	}
	return append(list, map[string]any{"quantity": "level", "instrument": level}, map[string]any{"quantity": "tilt", "instrument": level})
}

func setup() map[string]any {
	return map[string]any{
		"sensor": "front-camera", "side": "ahead", "datum": "front-bumper", "datum_height_um": 500_000,
		"line": "thrust-line", "distance_um": 2_120_000, "height_um": 1_260_000,
		"positions": []any{
			map[string]any{"name": "1", "lateral_um": 0}, map[string]any{"name": "2", "lateral_um": 620_000},
			map[string]any{"name": "3", "lateral_um": -620_000},
		},
		"tolerance": map[string]any{
			"distance_um": 8_000, "lateral_um": 8_000, "height_um": 8_000, "yaw_udeg": 500_000, "roll_udeg": 500_000,
		},
		"sensor_at_um": map[string]any{"x": 2_200_000, "y": 0, "z": 1_310_000},
	}
}
