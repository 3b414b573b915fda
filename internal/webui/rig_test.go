package webui_test

import (
	"fmt"
	"math"
)

// rig is the bay as it really is: the car and the floor of testdata/import/shop.json and a board somewhere in front of
// it. What an instrument reads is computed from the drawing, apart from the package that checks readings. Millimetres and
// radians; x forward, y left, z up from the point between the rear hubs in the plane of the wheels.
type rig struct {
	middle    [3]float64
	yaw, roll float64
}

const (
	wheelbase, overhang  = 2680.0, 880.0
	frontTrack, rearWide = 1560.0, 1572.0
	hubHeight, halfWidth = 325.0, 800.0
	datumHeight          = 500.0
	distance, height     = 2120.0, 1260.0
	thrust               = 0.15 * math.Pi / 180 // to the right: half of 0.25° less -0.05°
	fixtureFloor         = 2.0
)

// The plane of the wheels against gravity, z = a + b·x + c·y: least squares over the four wheels, in closed form because
// they stand in two pairs.
var (
	floorA = (-1.0 + 0.5) / 2
	floorB = ((0+1.5)/2 - (-1+0.5)/2) / wheelbase
	floorC = (frontTrack/2*(0-1.5) + rearWide/2*(-1-0.5)) / (2 * (frontTrack*frontTrack/4 + rearWide*rearWide/4))
)

// place puts the board square to the line the car runs on, at the sheet's distance and height, then off by what is given.
func place(along, across, up, yawDeg float64) *rig {
	s := math.Cos(thrust)*(wheelbase+overhang) + distance + along
	return &rig{
		middle: [3]float64{
			s*math.Cos(thrust) + across*math.Sin(thrust), -s*math.Sin(thrust) + across*math.Cos(thrust), height + up,
		},
		yaw: -thrust + yawDeg*math.Pi/180,
	}
}

func (r *rig) end(side string) [3]float64 {
	w := halfWidth
	if side == "right" {
		w = -w
	}
	y, z := w*math.Cos(r.roll), w*math.Sin(r.roll)
	return [3]float64{r.middle[0] - y*math.Sin(r.yaw), r.middle[1] + y*math.Cos(r.yaw), r.middle[2] + z}
}

// read is what a good instrument shows, to a tenth of a millimetre or a hundredth of a degree.
func (r *rig) read(ask string) string {
	var from, to string
	if n, _ := fmt.Sscanf(ask, "front %s hub to %s end", &from, &to); n == 2 {
		hub := [3]float64{wheelbase, frontTrack / 2, hubHeight}
		if from == "right" {
			hub[1] = -hub[1]
		}
		e := r.end(to)
		return fmt.Sprintf("%.1f", math.Sqrt(sq(e[0]-hub[0])+sq(e[1]-hub[1])+sq(e[2]-hub[2])))
	}
	if n, _ := fmt.Sscanf(ask, "height of %s end", &to); n == 1 {
		under := fixtureFloor - (floorA + floorB*r.middle[0] + floorC*r.middle[1])
		return fmt.Sprintf("%.1f", r.end(to)[2]-under)
	}
	switch ask {
	case "front bumper to board face":
		face := [2]float64{math.Cos(r.yaw), math.Sin(r.yaw)}
		gap := face[0]*(r.middle[0]-wheelbase-overhang) + face[1]*r.middle[1]
		return fmt.Sprintf("%.1f", gap/(face[0]*math.Cos(thrust)-face[1]*math.Sin(thrust)))
	case "level of the board":
		return fmt.Sprintf("%.2f", (r.roll+math.Atan(floorC))*180/math.Pi)
	}
	panic("no reading called " + ask)
}

func sq(v float64) float64 { return v * v }
