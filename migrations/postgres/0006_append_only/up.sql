-- What was recorded stays as it was recorded: these tables refuse UPDATE and DELETE.
CREATE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION '% is append only', TG_TABLE_NAME USING ERRCODE = 'check_violation';
END $$;

CREATE TRIGGER weather_day_corrections_append_only BEFORE UPDATE OR DELETE ON weather_day_corrections
    FOR EACH ROW EXECUTE FUNCTION refuse_change();
CREATE TRIGGER scores_append_only BEFORE UPDATE OR DELETE ON scores
    FOR EACH ROW EXECUTE FUNCTION refuse_change();
CREATE TRIGGER risk_models_append_only BEFORE UPDATE OR DELETE ON risk_models
    FOR EACH ROW EXECUTE FUNCTION refuse_change();
CREATE TRIGGER visit_events_append_only BEFORE UPDATE OR DELETE ON visit_events
    FOR EACH ROW EXECUTE FUNCTION refuse_change();
CREATE TRIGGER visit_results_append_only BEFORE UPDATE OR DELETE ON visit_results
    FOR EACH ROW EXECUTE FUNCTION refuse_change();
CREATE TRIGGER plan_stops_append_only BEFORE UPDATE OR DELETE ON plan_stops
    FOR EACH ROW EXECUTE FUNCTION refuse_change();
CREATE TRIGGER plan_unplaced_append_only BEFORE UPDATE OR DELETE ON plan_unplaced
    FOR EACH ROW EXECUTE FUNCTION refuse_change();
CREATE TRIGGER route_stops_append_only BEFORE UPDATE OR DELETE ON route_stops
    FOR EACH ROW EXECUTE FUNCTION refuse_change();
CREATE TRIGGER load_list_lines_append_only BEFORE UPDATE OR DELETE ON load_list_lines
    FOR EACH ROW EXECUTE FUNCTION refuse_change();
CREATE TRIGGER answers_append_only BEFORE UPDATE OR DELETE ON answers
    FOR EACH ROW EXECUTE FUNCTION refuse_change();
CREATE TRIGGER audit_append_only BEFORE UPDATE OR DELETE ON audit
    FOR EACH ROW EXECUTE FUNCTION refuse_change();
CREATE TRIGGER changes_append_only BEFORE UPDATE OR DELETE ON changes
    FOR EACH ROW EXECUTE FUNCTION refuse_change();
