package placement

// Offset is how far a fixture stands from nominal: yaw, roll, tilt in degrees, then along, across, up and slide in mm.
type Offset = [unknowns]float64

// ReadAt gives the case with every reading, closing ones too, as it would be read without noise from a fixture that is
// off by that much at the position. Parts of the pose that the case does not estimate stay nominal.
func ReadAt(c Case, position string, off Offset) Case {
	s, err := c.sceneAt(position)
	if err != nil {
		panic(err)
	}
	c.Position = position
	n := c.network(s, nil, nobody)
	stand := s.stand(n.pose(n.state(s.displaced(off))))
	read := func(readings []Reading) []Reading {
		all := make([]Reading, len(readings))
		for i, r := range readings {
			t := c.network(s, readings[i:i+1], nobody).taken[0]
			value, _ := n.predict(&stand, &t)
			all[i] = r.With(value)
		}
		return all
	}
	c.Readings, c.Closing = read(c.Readings), read(c.Closing)
	return c
}

// OffsetFound is the offset of the fixture that a check of the case finds.
func OffsetFound(c Case) Offset {
	s, err := c.sceneAt(c.Position)
	if err != nil {
		panic(err)
	}
	var w workbench
	a := w.solve(c.network(s, c.Readings, nobody))
	return s.offset(a.pose(a.X))
}
