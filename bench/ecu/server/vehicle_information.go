package server

import "sawhorse/canbus/uds"

// vehicleInformation is service 09: one infotype.
func vehicleInformation() Service {
	return Service{ID: uds.VehicleInformation, Name: "vehicle information", Has: hasOBD, Slow: true, run: func(s *Server, q *request) reply {
		if len(q.data) != 2 {
			return silence()
		}
		it := q.data[1]
		b := append(q.positive(), it)
		if t := s.types[it]; t != nil {
			b = append(b, t.items)
		}
		b, ok := s.appendInfotype(b, it)
		if !ok {
			return silence()
		}
		return answered(b)
	}}
}
