-- What was recorded stays as it was recorded: these tables refuse UPDATE and DELETE.

CREATE TRIGGER weather_day_corrections_no_update BEFORE UPDATE ON weather_day_corrections
BEGIN
    SELECT RAISE(ABORT, 'weather_day_corrections is append only');
END;
CREATE TRIGGER weather_day_corrections_no_delete BEFORE DELETE ON weather_day_corrections
BEGIN
    SELECT RAISE(ABORT, 'weather_day_corrections is append only');
END;
CREATE TRIGGER scores_no_update BEFORE UPDATE ON scores
BEGIN
    SELECT RAISE(ABORT, 'scores is append only');
END;
CREATE TRIGGER scores_no_delete BEFORE DELETE ON scores
BEGIN
    SELECT RAISE(ABORT, 'scores is append only');
END;
CREATE TRIGGER risk_models_no_update BEFORE UPDATE ON risk_models
BEGIN
    SELECT RAISE(ABORT, 'risk_models is append only');
END;
CREATE TRIGGER risk_models_no_delete BEFORE DELETE ON risk_models
BEGIN
    SELECT RAISE(ABORT, 'risk_models is append only');
END;
CREATE TRIGGER visit_events_no_update BEFORE UPDATE ON visit_events
BEGIN
    SELECT RAISE(ABORT, 'visit_events is append only');
END;
CREATE TRIGGER visit_events_no_delete BEFORE DELETE ON visit_events
BEGIN
    SELECT RAISE(ABORT, 'visit_events is append only');
END;
CREATE TRIGGER visit_results_no_update BEFORE UPDATE ON visit_results
BEGIN
    SELECT RAISE(ABORT, 'visit_results is append only');
END;
CREATE TRIGGER visit_results_no_delete BEFORE DELETE ON visit_results
BEGIN
    SELECT RAISE(ABORT, 'visit_results is append only');
END;
CREATE TRIGGER plan_stops_no_update BEFORE UPDATE ON plan_stops
BEGIN
    SELECT RAISE(ABORT, 'plan_stops is append only');
END;
CREATE TRIGGER plan_stops_no_delete BEFORE DELETE ON plan_stops
BEGIN
    SELECT RAISE(ABORT, 'plan_stops is append only');
END;
CREATE TRIGGER plan_unplaced_no_update BEFORE UPDATE ON plan_unplaced
BEGIN
    SELECT RAISE(ABORT, 'plan_unplaced is append only');
END;
CREATE TRIGGER plan_unplaced_no_delete BEFORE DELETE ON plan_unplaced
BEGIN
    SELECT RAISE(ABORT, 'plan_unplaced is append only');
END;
CREATE TRIGGER route_stops_no_update BEFORE UPDATE ON route_stops
BEGIN
    SELECT RAISE(ABORT, 'route_stops is append only');
END;
CREATE TRIGGER route_stops_no_delete BEFORE DELETE ON route_stops
BEGIN
    SELECT RAISE(ABORT, 'route_stops is append only');
END;
CREATE TRIGGER load_list_lines_no_update BEFORE UPDATE ON load_list_lines
BEGIN
    SELECT RAISE(ABORT, 'load_list_lines is append only');
END;
CREATE TRIGGER load_list_lines_no_delete BEFORE DELETE ON load_list_lines
BEGIN
    SELECT RAISE(ABORT, 'load_list_lines is append only');
END;
CREATE TRIGGER answers_no_update BEFORE UPDATE ON answers
BEGIN
    SELECT RAISE(ABORT, 'answers is append only');
END;
CREATE TRIGGER answers_no_delete BEFORE DELETE ON answers
BEGIN
    SELECT RAISE(ABORT, 'answers is append only');
END;
CREATE TRIGGER audit_no_update BEFORE UPDATE ON audit
BEGIN
    SELECT RAISE(ABORT, 'audit is append only');
END;
CREATE TRIGGER audit_no_delete BEFORE DELETE ON audit
BEGIN
    SELECT RAISE(ABORT, 'audit is append only');
END;
CREATE TRIGGER changes_no_update BEFORE UPDATE ON changes
BEGIN
    SELECT RAISE(ABORT, 'changes is append only');
END;
CREATE TRIGGER changes_no_delete BEFORE DELETE ON changes
BEGIN
    SELECT RAISE(ABORT, 'changes is append only');
END;
