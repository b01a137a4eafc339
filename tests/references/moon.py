"""Writes moon.csv: the moon over three places by ephem 4.2.1 (XEphem's lunar theory, Moshier), which is not needed to run the tests.

    pip install ephem==4.2.1 && python tests/references/moon.py > tests/references/moon.csv

Elevation: topocentric; with the refraction of ephem at 1010 hPa and 15 degrees C from -1 degree on, where ephem would go on refracting
what has set. Elongation: geocentric angle between moon and sun.
Distance: geocentric. The times are spread over 2000 to 2049 by a step that meets every phase, declination and hour.
"""

import math

import ephem

PLACES = [(52.0, 5.0), (-33.9, 18.4), (69.7, 18.9)]
print("# ephem 4.2.1, tests/references/moon.py")
print("time_utc,latitude_deg,longitude_deg,elevation_deg,elongation_deg,distance_km")
for i in range(240):
    latitude, longitude = PLACES[i % 3]
    date = ephem.Date(ephem.Date("2000/1/5 00:00:00") + i * 75.9173)
    date = ephem.Date(round(float(date) * 86400) / 86400)
    observer = ephem.Observer()
    observer.lat, observer.lon, observer.elevation = math.radians(latitude), math.radians(longitude), 0
    observer.pressure, observer.temp, observer.date = 0, 15, date
    elevation = ephem.Moon(observer).alt
    if elevation >= math.radians(-1):
        observer.pressure = 1010
        elevation = ephem.Moon(observer).alt
    geocentric, sun = ephem.Moon(date), ephem.Sun(date)
    elongation = math.degrees(ephem.separation((geocentric.g_ra, geocentric.g_dec), (sun.g_ra, sun.g_dec)))
    time = date.datetime()
    seconds = time.strftime("%Y-%m-%dT%H:%M:%S.%fZ")
    kilometres = geocentric.earth_distance * 149597870.7
    print(f"{seconds},{latitude},{longitude},{math.degrees(elevation):.4f},{elongation:.4f},{kilometres:.0f}")
