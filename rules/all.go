package rules

// All lists the rules, in the order in which they are asked.
func All() []Rule {
	return []Rule{
		PointSilent,
		PointFailed,
		BatteryLow,
		ScaleSilent,
		ChargeTarget,
		PressureTest,
		VacuumRising,
		SplitPoor,
		HeatingWindow,
		MixedRun,
		PowerTooEarly,
		TakeOff,
		RoomLimit,
		MarkDoubtful,
		PointMissing,
		InstrumentsTrusted,
		Evacuation,
		TrialRun,
		DischargeTooHot,
		DrainRising,
		Preheat,
		StartedTooEarly,
		UnitCount,
		UnitMissing,
		BranchCheck,
		SplitOpposed,
		PowerReturned,
		ClockUnproven,
		StoreUnreachable,
		DiskFilling,
		JournalChanged,
		CopiesGone,
	}
}
