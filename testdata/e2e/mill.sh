# Sourced by the scripts of the days before a line runs: a made-up mill, from its ten
# answers to what was measured at its line.

# The answers to the questions of lapgate init, but for where the controller is.
answers=(--units inch --name rowan --sizes '36 in..54 in x 30 in..70 in' --hanging '44 in, brown; 60 in, brown; 76 in, brown'
  --heads 'poly-board, fused, 350 °F, 36 in..54 in by 2 in' --grades '1, news, 40 lb/ft3; 2, fine, open'
  --cores '1, slim, 4.25 in' --speeds '100 ft/min, 70 ft/min' --stations 'heads, manual')

# measured FILE writes in place of each open what was measured at the line.
measured() {
  sed -i -E -e '/^papers:/,/^head_materials:/s/basis_weight: open.*/basis_weight: 190 g\/m2/' \
    -e 's/ caliper: open.*/ caliper: 0.0112 in/; s/ basis_weight: open.*/ basis_weight: 230 g\/m2/; s/ thickness: open.*/ thickness: 0.012 in/' \
    -e 's/ bond_temperature: open.*/ bond_temperature: 235 °F/; s/ density: open.*/ density: 52 lb\/ft3/; s/ wall: open.*/ wall: 0.4 in/' \
    -e 's/ mass: open.*/ mass: 1.2 kg\/m/; s/ tolerance: open.*/ tolerance: 0.25 in/; s/ core_diameter: open.*/ core_diameter: 3 in/' \
    -e 's/ (width|size)_uncertainty: open.*/ \1_uncertainty: 0.02 in/; s/ placement: open.*/ placement: 0.1 in/' \
    -e 's/ counts_per_metre: open.*/ counts_per_metre: 2000/; s/ feed_slip: open.*/ feed_slip: 0.002/; s/ tension: open.*/ tension: 45 N\/m/' \
    -e 's/ drag: open.*/ drag: 50 N/; s/ conductance: open.*/ conductance: 320 W\/m2K/; s/ backing_effusivity: open.*/ backing_effusivity: 520 J\/m2K√s/' \
    -e 's/ pressure: open.*/ pressure: 580 psi/; s/ cylinder_bore: open.*/ cylinder_bore: 2.75 in/; s/ platen_diameter: open.*/ platen_diameter: 75 in/' \
    -e 's/ roll_diameter: open.*/ roll_diameter: 16 in/; s/ spacing: open.*/ spacing: 24 in/; s/ friction: open.*/ friction: 0.35/' \
    -e 's/ diameter: open.*/ diameter: 16 in/; s/ gear: open.*/ gear: 25/; s/ poles: open.*/ poles: 4/' \
    -e 's/ rated_speed: open.*/ rated_speed: 1750 rpm/; s/ base_frequency: open.*/ base_frequency: 60 Hz/' "$1"
}

# bonded FILE adds how sure the curve of a thermocouple at the bond line is.
bonded() {
  sed -i -E 's/^( +)conductance: 320.*/&\n\1conductance_uncertainty: 8 %\n\1conductance_measured: {at: 2026-11-20, by: Kim Berg}/
  s/^( +)backing_effusivity: 520.*/&\n\1backing_effusivity_uncertainty: 8 %\n\1backing_effusivity_measured: {at: 2026-11-20, by: Kim Berg}/' "$1"
}
