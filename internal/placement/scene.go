package placement

import (
	"math"

	"readback/internal/fault"
	"readback/internal/geom"
)

// scene is the case's geometry at one position: where everything is known or wanted, nothing measured.
type scene struct {
	fixture    Fixture
	side       float64  // +1 ahead of the car, −1 behind it
	along      geom.Vec // unit vector of the reference line, forward
	across     geom.Vec // to its left
	lineYawDeg float64
	datum      geom.Vec
	sensor     *geom.Vec
	plane      geom.Plane // of the floor under the wheels
	stepMM     float64    // floor at the fixture above that plane
	target     geom.Vec   // nominal
	distanceMM float64    // of the nominal target from the datum
	lateralMM  float64    // of the nominal target from the reference line
	nominal    pose
	limits     []limit
}

// sceneAt builds the scene of a position. The case is valid.
func (c *Case) sceneAt(name string) (*scene, error) {
	p, known := c.position(name)
	if !known {
		return nil, fault.Badly("position", "a position of the setup")
	}
	s := &scene{fixture: c.Fixture, side: 1, plane: c.Floor.plane(c.Vehicle)}
	if c.Setup.Side == Behind {
		s.side = -1
	}
	if c.Setup.Line == ThrustLine {
		s.lineYawDeg = -c.Vehicle.RearToeDeg.ThrustDeg()
	}
	sin, cos := math.Sincos(s.lineYawDeg * geom.Radian)
	s.along, s.across = geom.Vec{X: cos, Y: sin}, geom.Vec{X: -sin, Y: cos}
	if at := c.Setup.SensorAtMM; at != nil {
		s.sensor = &geom.Vec{X: at.X, Y: at.Y, Z: at.Z}
	}
	s.datum = c.datum()
	s.place(c.Setup, p)
	for _, q := range allJudged {
		if l, judged := c.Setup.Tolerance[q]; judged {
			s.limits = append(s.limits, l.limit(q))
		}
	}
	s.stepMM = c.Floor.step(s.plane, s.nominal.origin())
	return s, nil
}

func (c *Case) datum() geom.Vec {
	d := geom.Vec{Z: c.Setup.DatumHeightMM}
	switch c.Setup.Datum {
	case FrontBumper:
		d.X = c.Vehicle.WheelbaseMM + c.Vehicle.FrontOverhangMM
	case FrontAxle:
		d.X = c.Vehicle.WheelbaseMM
	case RearBumper:
		d.X = -c.Vehicle.RearOverhangMM
	case AtSensor:
		at := c.Setup.SensorAtMM
		d = geom.Vec{X: at.X, Y: at.Y, Z: at.Z}
	}
	return d
}

// place finds the nominal target and the fixture's nominal pose.
func (s *scene) place(setup Setup, p Position) {
	start := s.along.Dot(s.datum)
	if p.RangeMM != nil {
		sin, cos := math.Sincos(*p.AzimuthDeg * geom.Radian)
		at := s.sensor.Add(s.along.Times(*p.RangeMM * cos)).Add(s.across.Times(*p.RangeMM * sin))
		s.distanceMM, s.lateralMM = s.side*(s.along.Dot(at)-start), s.across.Dot(at)
	} else {
		s.distanceMM, s.lateralMM = first(p.DistanceMM, setup.DistanceMM), *p.LateralMM
	}
	height := first(p.HeightMM, setup.HeightMM)
	foot := s.along.Times(start + s.side*s.distanceMM)
	s.target = foot.Add(s.across.Times(s.lateralMM))
	s.target.Z = height
	origin := s.target
	if s.fixture.Kind == Board && s.fixture.Carried != CarriedStand {
		origin = foot
		s.nominal[slide] = s.lateralMM
	}
	s.nominal[poseX], s.nominal[poseY], s.nominal[poseZ] = origin.X, origin.Y, height
}

func first(values ...*float64) float64 {
	for _, v := range values {
		if v != nil {
			return *v
		}
	}
	return 0
}

// start is a point of the vehicle that readings run from.
func (c *Case) start(s *scene, name string) geom.Vec {
	if hub, is := c.Vehicle.Hub(name); is {
		return hub
	}
	return s.datum
}

// Nominal is where a target shall stand at a position, in the terms of the setup.
type Nominal struct {
	DistanceMM float64 // from the datum along the reference line
	LateralMM  float64 // from the reference line, left positive
	HeightMM   float64
}

// Nominal gives where the target shall stand at a position. The case is valid.
func (c *Case) Nominal(position string) (Nominal, error) {
	s, err := c.sceneAt(position)
	if err != nil {
		return Nominal{}, err
	}
	return Nominal{DistanceMM: s.distanceMM, LateralMM: s.lateralMM, HeightMM: s.target.Z}, nil
}

// Layout is the nominal scene of a position for a drawing, in the vehicle frame.
type Layout struct {
	Hubs       [4]geom.Vec // front left, front right, rear left, rear right
	Datum      geom.Vec
	Sensor     *geom.Vec // nil where the setup does not state it
	LineYawDeg float64   // of the reference line through the origin
	Target     geom.Vec
	Pose       Pose
}

// Layout gives the nominal scene of a position. The case is valid.
func (c *Case) Layout(position string) (Layout, error) {
	s, err := c.sceneAt(position)
	if err != nil {
		return Layout{}, err
	}
	l := Layout{Datum: s.datum, Sensor: s.sensor, LineYawDeg: s.lineYawDeg, Target: s.target, Pose: s.nominal.exported(s)}
	for i, name := range startPoints[:4] {
		l.Hubs[i], _ = c.Vehicle.Hub(name)
	}
	return l, nil
}
