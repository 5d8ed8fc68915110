package rig

// water is what a parcel carries: degC, ug/L, uS/cm.
type water struct {
	temperature, oxygen, conductivity float64
}

// mix is a and b in the shares (1-share) and share.
func mix(a, b water, share float64) water {
	return water{
		temperature:  a.temperature + (b.temperature-a.temperature)*share,
		oxygen:       a.oxygen + (b.oxygen-a.oxygen)*share,
		conductivity: a.conductivity + (b.conductivity-a.conductivity)*share,
	}
}

type parcel struct {
	water
	mL float64
}

// parcelsMax bounds the queue: a drip would otherwise make a new parcel at every step for ever. At 200 mL/min and 50 ms a step
// brings 0.17 mL, so a 288 mL line needs 1730 parcels and none is merged.
const parcelsMax = 4096

// plug is the lead as plug flow: what enters first leaves first and nothing mixes on the way. Real laminar flow disperses; a sharp
// front is the harder case for a flush counter, which is what the rig is for.
type plug struct {
	total        float64
	ambient, air float64  // what standing water goes towards, degC and ug/L
	parcels      []parcel // oldest, next to leave, at head
	head         int

	stood                  bool
	warmthKept, oxygenKept float64 // share of the distance to ambient and air left by the present standing
}

func fill(mL float64, w water, ambient, air float64) plug {
	return plug{total: mL, ambient: ambient, air: air, parcels: []parcel{{water: w, mL: mL}}, warmthKept: 1, oxygenKept: 1}
}

// push brings mL of in at the tap end and returns the mean of the mL that leave at the cell end.
func (l *plug) push(mL float64, in water) water {
	l.settle()
	// The newest parcel is topped up while it is too small to be worth a place of its own; this is the only mixing.
	if last := &l.parcels[len(l.parcels)-1]; last.mL < l.total/parcelsMax {
		last.water = mix(last.water, in, mL/(last.mL+mL))
		last.mL += mL
	} else {
		l.parcels = append(l.parcels, parcel{water: in, mL: mL})
	}

	var out water
	got := 0.0
	for need := mL; need > 0; {
		first := &l.parcels[l.head]
		take := min(need, first.mL)
		got += take
		out = mix(out, first.water, take/got)
		need -= take
		first.mL -= take
		// The last parcel never leaves: rounding may ask for a hair more than the line holds.
		if l.head == len(l.parcels)-1 {
			first.mL = max(first.mL, 0)
			break
		}
		if first.mL <= 0 {
			l.head++
		}
	}
	if l.head > parcelsMax {
		l.parcels = append(l.parcels[:0], l.parcels[l.head:]...)
		l.head = 0
	}
	return out
}

// stand lets the water in the line go the given shares of the way to room temperature and to air. All of it alike, so the shares are
// only noted, and worked in when water next moves: a line that stands for a week costs nothing.
func (l *plug) stand(toAmbient, toAir float64) {
	l.stood = true
	l.warmthKept *= 1 - toAmbient
	l.oxygenKept *= 1 - toAir
}

// settle works in what standing has done.
func (l *plug) settle() {
	if !l.stood {
		return
	}
	for i := l.head; i < len(l.parcels); i++ {
		p := &l.parcels[i]
		p.temperature = l.ambient + (p.temperature-l.ambient)*l.warmthKept
		p.oxygen = l.air + (p.oxygen-l.air)*l.oxygenKept
	}
	l.stood, l.warmthKept, l.oxygenKept = false, 1, 1
}
