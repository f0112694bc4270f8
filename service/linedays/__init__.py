"""linedays: reads charted vascular access lines over HL7 FHIR and works out what each needs and when.

    read ─► normalise ─► timeline ─► evaluate ─► render ─► reconcile ─► write
    wire     facts|issues  lines       states      wanted    changes      outcomes

core/      pure: values in, values out; no clock, disk, network, log
mapping/   pure: the data in mappings/ → core.policy, checked; wording
fhir/      pure: FHIR records → facts or issues; states → Task, Flag, Observation; own check
adapters/  the only I/O
run/       the shell: settings, ports, the sweep, wiring, the demo
cli        the command line
"""

__version__ = "0.1.0"
